"""A board that never stands still: its track, the clocks it gives, and the views it leaves for the rig."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.board import Board
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry import Camera
from calibration.holds import find_holds
from calibration.moving.clock import BoardClock
from calibration.moving.track import track_of
from calibration.shared import BoardFootage, SharedSet, match_set
from calibration.views import BoardView
from tests.support.carried_board import Carried, carried, views_of
from tests.support.rig_worlds import BOARD, SIZE_PX, court_cameras

STARTS_S = {"left": 0.0, "right": 3.7123, "side": -1.4}
FPS = {"left": 30.0, "right": 60.0, "side": 25.0}
SIGMA_PX = 0.2


def footage_of(camera: Camera, way: Carried, stop_s: float, rng: np.random.Generator) -> BoardFootage:
    own = np.arange(0.0, stop_s - STARTS_S[camera.name], 1 / FPS[camera.name])
    views = views_of(camera, way, own, own + STARTS_S[camera.name], SIGMA_PX, rng)
    return footage(camera.name, views, way.board)


def footage(name: str, views: list[BoardView], board: Board = BOARD) -> BoardFootage:
    return BoardFootage(
        Path(f"{name}.mp4"), SIZE_PX, True, tuple(find_holds(views, board)), track=track_of(views, board)
    )


@pytest.fixture(scope="module")
def trio() -> tuple[SharedSet, dict[str, BoardFootage], dict[str, Camera], Carried]:
    rng = np.random.default_rng(2)
    cameras = {c.name: c for c in court_cameras()}
    way = carried(16.0, rng, yaw_rad=0.55)
    parts = {name: footage_of(camera, way, 16.0, rng) for name, camera in cameras.items()}
    return match_set(parts, cameras, BOARD, first_clock=5), parts, cameras, way


def test_no_camera_found_the_board_still(trio) -> None:
    assert all(part.holds == () for part in trio[1].values())


def test_the_clocks_are_right_within_what_they_claim(trio) -> None:
    found = trio[0]
    assert set(found.clocks) == {"left", "right", "side"} and found.clocks["left"] == BoardClock()
    for name in ("right", "side"):
        clock = found.clocks[name]
        assert clock.u_offset_s < 5e-4
        assert abs(clock.offset_s - STARTS_S[name]) < 4 * clock.u_offset_s
        assert abs(clock.rate) < 4 * clock.u_rate
        assert found.offsets_s[name] == pytest.approx(STARTS_S[name], abs=2e-3)
    assert "of a moving board" in found.flags[0] and "right to 0." in found.flags[0]


def test_the_views_show_one_board_at_one_instant(trio) -> None:
    found, _, cameras, way = trio
    assert len(found.views) >= 15 and {len(v.corners_px) for v in found.views} <= {2, 3}
    names = list(found.clocks)
    points = BOARD.points_m()
    errors: list[Array] = []
    for view in found.views:
        # the label is rounded to 10 ms: the corners say when exactly
        t_s = float(view.label.split(" at ")[1][:-2])
        along, square = 0.0, 0.0
        for name, uv in view.corners_px.items():
            assert view.clock.get(name) == (None if name == "left" else 5 + names.index(name) - 1)
            exact, later = (cameras[name].project(way.pose(t).apply(points)) for t in (t_s, t_s + 0.001))
            true_velocity = (later - exact) / 0.001
            velocity = view.velocity_px_s[name]
            assert (
                np.linalg.norm(velocity - true_velocity, axis=1).mean()
                < 3 + 0.2 * np.linalg.norm(true_velocity, axis=1).mean()
            )
            along += float((true_velocity * (uv - exact)).sum())
            square += float((true_velocity**2).sum())
            assert 0.3 < view.spread[name] <= 1.0
        moment_s = t_s + along / square
        assert abs(moment_s - t_s) < 0.012
        for name, uv in view.corners_px.items():
            errors.append(uv - cameras[name].project(way.pose(moment_s).apply(points)))
    assert np.sqrt((np.concatenate(errors) ** 2).mean()) < SIGMA_PX
    assert found.n_clocks == 2


def test_the_views_are_spread_in_time_and_place(trio) -> None:
    found, _, _, way = trio
    times = np.array([float(v.label.split(" at ")[1][:-2]) for v in found.views])
    assert np.diff(np.sort(times)).min() > 0.28
    middles = np.array([way.pose(float(t)).apply(BOARD.centre_m()) for t in times])
    every = np.array([way.pose(float(t)).apply(BOARD.centre_m()) for t in np.arange(4, 16, 0.1)])
    assert (np.ptp(middles, axis=0) > 0.6 * np.ptp(every, axis=0)).all()


def test_a_track_follows_the_board_between_frames() -> None:
    rng = np.random.default_rng(3)
    camera = court_cameras(("left",))[0]
    way = carried(8.0, rng)
    t = np.arange(0, 8, 1 / 30)
    views = views_of(camera, way, t, t, SIGMA_PX, rng)
    track = track_of(views, BOARD)
    assert track is not None and track.sigma_px == pytest.approx(SIGMA_PX, rel=0.1) and track.left_out == 0
    between = t[5:-5] + 0.0123
    sample = track.at(between)
    seen = sample.seen()
    exact = np.array([camera.project(way.pose(float(x)).apply(BOARD.points_m())) for x in between[seen]])
    error = (sample.uv_px[seen] - exact) / sample.spread[seen][..., None]
    assert np.sqrt((error**2).mean()) == pytest.approx(SIGMA_PX, rel=0.25)


def test_a_gap_is_not_bridged_and_ends_are_not_prolonged() -> None:
    rng = np.random.default_rng(4)
    camera = court_cameras(("left",))[0]
    t = np.arange(0, 4, 1 / 30)
    views = views_of(camera, carried(4.0, rng), t, t, SIGMA_PX, rng)
    kept = [v for v in views if not 1.0 < v.t_s < 1.2]
    track = track_of(kept, BOARD)
    assert track is not None
    seen = track.at(np.array([-0.05, 0.9, 1.1, 1.3, views[-1].t_s + 0.05])).seen()
    assert seen.tolist() == [False, True, False, True, False]


def test_repeated_pictures_are_left_out() -> None:
    rng = np.random.default_rng(5)
    camera = court_cameras(("left",))[0]
    t = np.arange(0, 6, 1 / 30)
    views = views_of(camera, carried(6.0, rng), t, t, 0.05, rng)
    for k in range(20, len(views), 25):
        views[k] = replace(views[k], corners_px=views[k - 1].corners_px)
    track = track_of(views, BOARD)
    assert track is not None
    repeated = set(range(20, len(views), 25))
    dropped = set(np.flatnonzero(np.isnan(track.corners_px[:, 0, 0])).tolist())
    assert len(dropped & repeated) >= 0.6 * len(repeated) and len(dropped - repeated) <= 1


def test_a_wrong_frame_rate_is_measured_and_told() -> None:
    """29.97 pictures a second stamped as 30: the clock runs 1000 ppm fast."""
    rng = np.random.default_rng(6)
    left, right = court_cameras(("left", "right"))
    way = carried(14.0, rng)
    t = np.arange(0, 14, 1 / 30)
    parts = {
        "left": footage("left", views_of(left, way, t, t, SIGMA_PX, rng)),
        "right": footage("right", views_of(right, way, t, t * 1.001 + 0.5, SIGMA_PX, rng)),
    }
    found = match_set(parts, {"left": left, "right": right}, BOARD)
    clock = found.clocks["right"]
    assert clock.rate == pytest.approx(1e-3, abs=4 * clock.u_rate) and clock.u_rate < 2e-4
    assert any("ppm slow against left" in flag for flag in found.flags)


def test_a_board_that_looks_alike_upside_down() -> None:
    board = Board(9, 5, 0.1)
    rng = np.random.default_rng(7)
    left, right = court_cameras(("left", "right"))
    way = carried(11.0, rng, board)
    parts = {"left": footage_of(left, way, 11.0, rng)}
    t = np.arange(0, 11 - STARTS_S["right"], 1 / 30)
    views = views_of(right, way, t, t + STARTS_S["right"], SIGMA_PX, rng)
    parts["right"] = footage("right", [replace(v, corners_px=v.corners_px[::-1]) for v in views], board)
    found = match_set(parts, {"left": left, "right": right}, board)
    assert found.offsets_s["right"] == pytest.approx(STARTS_S["right"], abs=2e-3)
    for view in found.views:
        t_s = float(view.label.split(" at ")[1][:-2])
        exact = {c.name: c.project(way.pose(t_s).apply(board.points_m())) for c in (left, right)}
        off: list[Array] = [view.corners_px[n] - exact[n] for n in ("left", "right")]
        assert max(float(np.abs(o).max()) for o in off) < 1.2


def test_footage_of_two_different_walks_is_refused() -> None:
    rng = np.random.default_rng(8)
    left, right = court_cameras(("left", "right"))
    parts = {c.name: footage_of(c, carried(15.0, rng), 15.0, rng) for c in (left, right)}
    with pytest.raises(BadInput, match="may not belong together"):
        match_set(parts, {"left": left, "right": right}, BOARD)


def test_a_walk_that_repeats_itself_is_told_apart_or_refused() -> None:
    """The same loop walked twice: with one lap in the second camera, either lap may be the one."""
    rng = np.random.default_rng(9)
    left, right = court_cameras(("left", "right"))
    way = carried(9.0, rng)
    lap = 7.0
    t = np.arange(0, 2 * lap, 1 / 30)
    parts = {
        "left": footage("left", views_of(left, way, t, t % lap, SIGMA_PX, rng)),
        "right": footage("right", views_of(right, way, t[: len(t) // 2], t[: len(t) // 2], SIGMA_PX, rng)),
    }
    with pytest.raises(BadInput, match="two shifts in time fit equally well"):
        match_set(parts, {"left": left, "right": right}, BOARD)


def test_clocks_chain_and_turn_round() -> None:
    a = BoardClock(3.7, 1e-3, 10.0, 3e-4, 0.0)
    b = BoardClock(-1.2, -2e-3, 4.0, 4e-4, 0.0)
    t = np.array([0.0, 5.0, 60.0])
    assert np.allclose(a.inverse().to_reference(a.to_reference(t)), t)
    assert np.allclose(a.after(b).to_reference(t), b.to_reference(a.to_reference(t)))
    assert a.after(b).u_offset_s == pytest.approx(5e-4)
