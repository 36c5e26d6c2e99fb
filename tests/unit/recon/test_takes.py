"""A clip of another serve by the same player: the clocks lock all the same, what is left tells. INVENTED."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.errors import BadInput, NotMeasurable
from recon.records import KEYPOINTS, Clock, Clocks, NoiseShape, Tracks2D
from recon.sync import PairSpread, TakeOptions, estimate_clocks, spreads, take_flags
from tests.support.serve_series import ServeSeries, seen
from tests.support.world import three_cameras

CAMERAS = three_cameras()
SHAPE = NoiseShape(white=0.4, slow=0.3, bias=0.3, slow_s=0.3)
STARTS_S = (0.0, 0.21, -0.13)


def session(seed: int, other: int | None, *, count: int = 3, vary: float = 1.5, told: float = 2.0) -> Tracks2D:
    """One serve by all cameras; camera `other` filmed the next one. Noise of 2 px, told as `told`."""
    serves = [ServeSeries((2.0,), seed=1000 * k + seed, vary=vary) for k in (0, 1)]
    cameras = []
    for k, (camera, start) in enumerate(zip(CAMERAS[:count], STARTS_S, strict=False)):
        one = seen(camera, serves[k == other], start, (0.0, 3.3), sigma_px=2.0, shape=SHAPE, seed=10 * seed + k)
        cameras.append(type(one)(one.camera, one.size_px, one.t_cam_s, one.uv_px, one.sigma_px * told / 2))
    return Tracks2D(KEYPOINTS, tuple(cameras), "invented")


def flags_of(tracks: Tracks2D, count: int = 3) -> tuple[str, ...]:
    cameras = CAMERAS[:count]
    return take_flags(spreads(cameras, tracks, estimate_clocks(cameras, tracks)))


@pytest.mark.parametrize("seed", range(2))
def test_one_take_by_all_raises_nothing(seed: int) -> None:
    assert flags_of(session(seed, None)) == ()


@pytest.mark.parametrize("seed", range(3))
def test_another_take_is_flagged_or_finds_no_clock(seed: int) -> None:
    """Serves whose hands pass each other by 8 cm."""
    try:
        (flag,) = flags_of(session(seed, 1, vary=2.0))
    except NotMeasurable as refused:
        assert "same serve" in str(refused)
    else:
        assert "the clip of rear_right disagrees" in flag


@pytest.mark.parametrize("other", [0, 1, 2])
def test_of_three_the_camera_of_another_take_is_named(other: int) -> None:
    (flag,) = flags_of(session(1, other))
    assert f"the clip of {CAMERAS[other].name} disagrees with all others" in flag


def test_of_two_the_pair_is_named() -> None:
    (flag,) = flags_of(session(4, 1, count=2), 2)
    assert "the clips of rear_left and rear_right disagree" in flag and "another serve" in flag


def test_too_small_a_sigma_is_noticed_too() -> None:
    (flag,) = flags_of(session(5, None, told=0.8))
    assert "sigma_px" in flag


def test_the_lasting_part_of_an_error_is_no_disagreement() -> None:
    """A view that puts all points a hand's breadth off all the time has a bias, and is no other take."""
    tracks = session(6, None)
    off = tracks.cameras[1].uv_px + np.array([0.0, 15.0])
    one = tracks.cameras[1]
    moved = type(one)(one.camera, one.size_px, one.t_cam_s, off, one.sigma_px)
    clocks = Clocks("rear_left", tuple(Clock(c.name, s, 1e-4) for c, s in zip(CAMERAS, STARTS_S, strict=True)))
    before = spreads(CAMERAS, tracks, clocks)
    after = spreads(CAMERAS, Tracks2D(KEYPOINTS, (tracks.cameras[0], moved, tracks.cameras[2]), "x"), clocks)
    for a, b in zip(before, after, strict=True):
        assert b.within95_sigma == pytest.approx(a.within95_sigma, abs=0.5)


def test_no_lone_camera_where_two_pairs_of_four_disagree() -> None:
    names = ("a", "b", "c", "d")
    apart = {("a", "b"), ("c", "d")}
    pairs = [
        PairSpread(p, q, 5.0 if (p, q) in apart else 1.0) for i, p in enumerate(names) for q in names[i + 1 :]
    ]
    (flag,) = take_flags(pairs)
    assert "the clips of a and b disagree" in flag
    assert take_flags([PairSpread("a", "b", float("nan"))]) == ()
    with pytest.raises(BadInput, match="spread_sigma"):
        TakeOptions(spread_sigma=0.0)
