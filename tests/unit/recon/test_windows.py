"""Serves are noticed in a few looks a second, and nothing else that a player does is taken for one."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.errors import BadInput
from recon.records import KEYPOINTS
from recon.windows import NEEDED, WindowOptions, ball_share, find_moments, may_serve
from tests.support.serve_series import ServeSeries, seen_at
from tests.support.world import three_cameras

CONTACTS_S = (5.0, 13.2, 24.1, 30.0)


@pytest.mark.parametrize("handedness", ["right", "left"])
@pytest.mark.parametrize("looks_hz", [12.0, 60.0])
@pytest.mark.parametrize("camera", three_cameras(), ids=lambda c: c.name)
def test_every_serve_is_noticed_and_no_other_moment(camera, handedness, looks_hz) -> None:
    t = np.arange(0, 36, 1 / looks_hz)
    shown = seen_at(camera, ServeSeries(CONTACTS_S, handedness=handedness), 0.0, t, sigma_px=3.0)
    found = find_moments(t, shown.uv_px, KEYPOINTS, handedness)
    assert [m.t_cam_s for m in found] == pytest.approx(CONTACTS_S, abs=0.2)


def test_a_player_out_of_the_picture_for_a_while_costs_that_serve_only() -> None:
    t = np.arange(0, 36, 1 / 12)
    uv = seen_at(three_cameras()[0], ServeSeries(CONTACTS_S), 0.0, t, sigma_px=3.0).uv_px.copy()
    uv[(t > 11) & (t < 15)] = np.nan
    found = find_moments(t, uv, KEYPOINTS, "right")
    assert [m.t_cam_s for m in found] == pytest.approx([5.0, 24.1, 30.0], abs=0.2)
    assert find_moments(t, np.full_like(uv, np.nan), KEYPOINTS, "right") == ()


@pytest.mark.parametrize("camera", three_cameras(), ids=lambda c: c.name)
def test_a_look_in_four_of_a_second_is_enough_to_ask_for_closer_ones(camera) -> None:
    series = ServeSeries(CONTACTS_S)
    for first in np.arange(0, 0.25, 0.04):
        t = np.arange(first, 36, 0.25)
        shown = seen_at(camera, series, 0.0, t, sigma_px=3.0).uv_px
        asks = np.array([may_serve(uv, KEYPOINTS) for uv in shown])
        for contact in CONTACTS_S:
            assert asks[np.abs(t - contact + 0.4) < 0.6].any()
        assert not asks[[bool(np.abs(k - np.array(CONTACTS_S)).min() > 3.5) for k in t]].any()
    assert not may_serve(np.full((len(KEYPOINTS), 2), np.nan), KEYPOINTS)


def test_a_toss_shows_a_ball_and_a_swing_without_one_does_not() -> None:
    series = ServeSeries(CONTACTS_S, swings=(1,))
    for camera in three_cameras():
        shares = []
        for contact in CONTACTS_S:
            t = np.arange(contact - 1.0, contact + 0.5, 1 / 60)
            shares.append(ball_share(t, seen_at(camera, series, 0.0, t).uv_px, KEYPOINTS, contact))
        assert shares[1] == 0.0 and min(shares[0], *shares[2:]) > 0.5
    assert np.isnan(ball_share(t, np.zeros((len(t), 6, 2)), NEEDED, 5.0))


@pytest.mark.parametrize("camera", three_cameras(), ids=lambda c: c.name)
def test_arms_exchanged_during_the_toss_do_not_move_the_contact(camera) -> None:
    """As a detector does that sees a player from behind; the toss was seen going up before."""
    t = np.arange(0, 36, 1 / 12)
    uv = seen_at(camera, ServeSeries(CONTACTS_S), 0.0, t, sigma_px=1.0).uv_px.copy()
    for contact in CONTACTS_S:
        wrong = (t > contact - 0.55) & (t < contact - 0.2)
        for part in ("shoulder", "wrist"):
            left, right = (KEYPOINTS.index(f"{side}_{part}") for side in ("left", "right"))
            uv[np.ix_(wrong, [left, right])] = uv[np.ix_(wrong, [right, left])]
    found = find_moments(t, uv, KEYPOINTS, "right")
    assert found and all(np.abs(np.array(CONTACTS_S) - m.t_cam_s).min() < 0.2 for m in found)


@pytest.mark.parametrize(
    "doing", ["both hands up", "the tossing hand alone", "a throw without a toss", "the wrong arm"]
)
def test_other_doings_are_no_serve(doing: str) -> None:
    """A standing player, hands moved as named, once in 10 s."""
    t = np.arange(0, 20, 1 / 12)
    rest = seen_at(three_cameras()[0], ServeSeries((-50.0,)), 0.0, t, sigma_px=0.5).uv_px.copy()
    trunk = np.linalg.norm(rest[0, KEYPOINTS.index("left_hip")] - rest[0, KEYPOINTS.index("left_shoulder")])
    up = {side: np.zeros(len(t)) for side in ("left", "right")}

    def lift(side: str, at_s: float, width_s: float) -> None:
        up[side] += 1.7 * np.exp(-0.5 * ((t - at_s) / width_s) ** 2)

    for at in (5.0, 15.0):
        if doing == "both hands up":
            lift("left", at, 0.5)
            lift("right", at, 0.5)
        elif doing == "the tossing hand alone":
            lift("left", at, 0.3)
        elif doing == "a throw without a toss":
            lift("right", at, 0.12)
        else:
            lift("right", at - 0.7, 0.2)
            lift("left", at, 0.12)
    for side, height in up.items():
        rest[:, KEYPOINTS.index(f"{side}_wrist"), 1] -= height * trunk
    assert find_moments(t, rest, KEYPOINTS, "right") == ()
    if doing == "the wrong arm":  # the same movement is a left-hander's serve
        assert len(find_moments(t, rest, KEYPOINTS, "left")) == 2


def test_missing_points_and_senseless_limits_are_refused() -> None:
    with pytest.raises(BadInput, match="left_wrist missing"):
        find_moments(np.arange(20.0), np.zeros((20, 5, 2)), [n for n in NEEDED if n != "left_wrist"], "right")
    with pytest.raises(BadInput, match="windows: want positive"):
        WindowOptions(speed=0.0)
    assert find_moments(np.arange(3.0), np.zeros((3, 6, 2)), NEEDED, "right") == ()
