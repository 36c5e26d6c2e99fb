"""Holds, and joining cameras that were started by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration.board import Board
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry import Camera, Rigid
from calibration.holds import cam_from_board, find_holds, half_turn
from calibration.shared import BoardFootage, match_set
from calibration.views import BoardView, Hold
from tests.support.rig_worlds import BOARD, SIZE_PX, court_cameras, faces, rig_cameras, shared_boards

HOLD_S, MOVE_S = 0.5, 0.7


def interpolated(a: Rigid, b: Rigid, part: float) -> Rigid:
    turn = Rigid(b.R @ a.R.T, np.zeros(3), "w", "w").rotvec_rad() * part
    R = Rigid.from_rotvec(turn, np.zeros(3), "w", "w").R @ a.R
    return Rigid(R, a.t_m + part * (b.t_m - a.t_m), a.dst, a.src)


def walked(camera: Camera, poses: list[Rigid], start_s: float, rng: np.random.Generator) -> list[BoardView]:
    """A 15 Hz scan of a board that is held at each pose in turn, on a clock that began at start_s."""
    views = []
    for k, t in enumerate(np.arange(start_s, len(poses) * (HOLD_S + MOVE_S), 1 / 15)):
        i, within = divmod(t, HOLD_S + MOVE_S)
        i = int(i)
        if t < 0 or (within > HOLD_S and i + 1 >= len(poses)):
            continue
        part = 0.0 if within <= HOLD_S else (within - HOLD_S) / MOVE_S
        pose = poses[i] if part == 0 else interpolated(poses[i], poses[i + 1], part)
        if faces(camera, pose):
            uv = camera.project(pose.apply(BOARD.points_m())) + rng.normal(0, 0.1, (54, 2))
            views.append(BoardView(k, float(t - start_s), uv))
    return views


def test_holds_are_found_where_the_board_stands_still() -> None:
    rng = np.random.default_rng(1)
    camera = rig_cameras(court_cameras(("left",)))[0]
    poses = shared_boards((camera,), 6, rng, at_least=1)
    holds = find_holds(walked(camera, poses, 0.0, rng), BOARD)
    middles = np.array([(h.start_s + h.stop_s) / 2 for h in holds])
    wanted = np.arange(6) * (HOLD_S + MOVE_S) + HOLD_S / 2
    np.testing.assert_allclose(middles, wanted, atol=0.08)
    exact = camera.project(poses[2].apply(BOARD.points_m()))
    assert np.abs(holds[2].corners_px - exact).max() < 0.6


def test_a_board_always_carried_has_no_holds() -> None:
    rng = np.random.default_rng(1)
    camera = rig_cameras(court_cameras(("left",)))[0]
    a, b = shared_boards((camera,), 2, rng, at_least=1)
    uv = [camera.project(interpolated(a, b, t).apply(BOARD.points_m())) for t in np.linspace(0, 1, 30)]
    moving = [BoardView(i, i / 15, px) for i, px in enumerate(uv) if np.isfinite(px).all()]
    assert find_holds(moving, BOARD) == []
    assert find_holds(moving[:2], BOARD) == []


def test_holds_of_a_partly_seen_board_keep_their_corners_names() -> None:
    """A hand wanders over the board: every view lacks other corners, and some lack nearly all."""
    rng = np.random.default_rng(2)
    camera = rig_cameras(court_cameras(("left",)))[0]
    poses = shared_boards((camera,), 4, rng, at_least=1)
    views = []
    for view in walked(camera, poses, 0.0, rng):
        ids = np.flatnonzero(rng.random(54) < 0.8)
        views.append(BoardView(view.index, view.t_s, view.corners_px[ids], ids=ids))
    holds = find_holds(views, BOARD)
    assert len(holds) == 4
    for hold, pose in zip(holds, poses, strict=True):
        exact = camera.project(pose.apply(BOARD.points_m()))
        assert 40 < len(hold.ids) <= 54
        assert np.abs(hold.corners_px - exact[hold.ids]).max() < 0.6
    few = [BoardView(v.index, v.t_s, v.corners_px[:5], ids=v.ids[:5]) for v in views]
    assert find_holds(few, BOARD) == []  # five corners do not tell whether a board moves


def test_the_pose_of_a_partly_seen_board() -> None:
    camera = rig_cameras(court_cameras(("left",)))[0]
    (pose,) = shared_boards((camera,), 1, np.random.default_rng(7), at_least=1)
    ids = np.array([3, 4, 5, 12, 13, 14, 21, 22, 23, 30, 31, 32])
    uv = camera.project(pose.apply(BOARD.points_m()[ids]))
    exact = camera.cam_from_world @ pose
    found = cam_from_board(camera, BOARD, uv, ids)
    np.testing.assert_allclose(found.t_m, exact.t_m, atol=1e-4)
    np.testing.assert_allclose(found.R, exact.R, atol=1e-4)


def test_partly_seen_boards_are_joined_and_keep_their_corners_names() -> None:
    rng = np.random.default_rng(3)
    board = Board(9, 6, 0.1, kind="charuco", marker_m=0.07, dictionary="4x4_250")
    cameras = {c.name: c for c in rig_cameras(court_cameras(("left", "right")))}
    poses = shared_boards(tuple(cameras.values()), 8, rng)
    parts = {}
    for name, camera in cameras.items():
        holds = []
        for i, pose in enumerate(poses):
            first = 9 * int(rng.integers(0, 3))
            ids = np.arange(first, first + 36)  # four of six rows, each camera its own
            holds.append(Hold(1.2 * i, 1.2 * i + 0.5, camera.project(pose.apply(board.points_m()[ids])), ids))
        parts[name] = BoardFootage(Path(f"{name}.mp4"), SIZE_PX, True, tuple(holds))
    joined = match_set(parts, cameras, board)
    assert len(joined.views) == 8
    for view in joined.views:
        common, left, right = np.intersect1d(view.ids["left"], view.ids["right"], return_indices=True)
        assert len(common) >= 18
        corners = {"left": view.corners_px["left"][left], "right": view.corners_px["right"][right]}
        agree_on_one_pose(corners, cameras)


def footage(
    starts_s: dict[str, float], rng: np.random.Generator, count: int = 12
) -> tuple[dict[str, BoardFootage], dict[str, Camera], list[Rigid]]:
    cameras = {c.name: c for c in rig_cameras(court_cameras(tuple(starts_s)))}
    poses = shared_boards(tuple(cameras.values()), count, rng)
    parts = {}
    for name, start_s in starts_s.items():
        holds = find_holds(walked(cameras[name], poses, start_s, rng), BOARD)
        parts[name] = BoardFootage(Path(f"{name}.mp4"), SIZE_PX, True, tuple(holds))
    return parts, cameras, poses


def test_cameras_started_seconds_apart_are_joined() -> None:
    starts_s = {"left": -1.3, "right": 1.137, "side": -4.6}
    parts, cameras, _ = footage(starts_s, np.random.default_rng(3), count=24)
    joined = match_set(parts, cameras, BOARD)
    for name, offset_s in joined.offsets_s.items():
        assert offset_s - joined.offsets_s["left"] == pytest.approx(starts_s[name] - starts_s["left"], abs=0.05)
    assert len(joined.views) >= 8 and joined.flags == ()
    for placement in joined.placements:
        exact = cameras[placement.b].cam_from_world @ cameras[placement.a].cam_from_world.inverse()
        assert (
            np.degrees(
                np.linalg.norm(Rigid(placement.b_from_a.R @ exact.R.T, np.zeros(3), "a", "b").rotvec_rad())
            )
            < 8
        )
    for view in joined.views:
        agree_on_one_pose(view.corners_px, cameras)


def agree_on_one_pose(corners_px: dict[str, Array], cameras: dict[str, Camera]) -> None:
    """Meeting points of all cameras' rays lie on the rays: same moment, same corner order."""
    names = list(corners_px)
    a, b = cameras[names[0]], cameras[names[1]]
    d1, d2 = a.rays(corners_px[names[0]]), b.rays(corners_px[names[1]])
    normal = np.cross(d1, d2)
    gap = np.abs(((b.centre_m() - a.centre_m()) * normal).sum(axis=1)) / np.linalg.norm(normal, axis=1)
    assert gap.max() < 0.03


def test_evenly_spaced_holds_are_told_apart_by_geometry() -> None:
    """All holds have the same length and spacing: only the board's poses tell which shift in time is right."""
    parts, cameras, _ = footage({"left": 0.0, "right": 2.4}, np.random.default_rng(4), count=10)
    assert match_set(parts, cameras, BOARD).offsets_s["right"] == pytest.approx(2.4, abs=0.05)


def test_a_board_that_looks_alike_upside_down_is_turned_right() -> None:
    board = Board(9, 5, 0.1)
    cameras = {c.name: c for c in rig_cameras(court_cameras(("left", "right")))}
    rng = np.random.default_rng(5)
    poses = shared_boards(tuple(cameras.values()), 8, rng)
    parts = {}
    for name, camera in cameras.items():
        holds = []
        for i, pose in enumerate(poses):
            turned = pose @ half_turn(board) if name == "right" and i % 2 else pose
            uv = camera.project(turned.apply(board.points_m()))
            holds.append(Hold(1.2 * i, 1.2 * i + 0.5, uv))
        parts[name] = BoardFootage(Path(f"{name}.mp4"), SIZE_PX, True, tuple(holds))
    joined = match_set(parts, cameras, board)
    assert len(joined.views) == 8
    for view in joined.views:
        agree_on_one_pose(view.corners_px, cameras)


def test_pictures_are_joined_by_name() -> None:
    cameras = {c.name: c for c in rig_cameras(court_cameras(("left", "right")))}
    rng = np.random.default_rng(6)
    poses = shared_boards(tuple(cameras.values()), 6, rng)
    order = {"left": [0, 1, 2, 3, 4, 5], "right": [5, 3, 1, 0, 2]}
    parts = {}
    for name, camera in cameras.items():
        holds = tuple(
            Hold(k - 0.25, k + 0.25, camera.project(poses[i].apply(BOARD.points_m())))
            for k, i in enumerate(order[name])
        )
        parts[name] = BoardFootage(Path(name), SIZE_PX, False, holds, tuple(f"p{i}" for i in order[name]))
    joined = match_set(parts, cameras, BOARD)
    assert len(joined.views) == 5
    for view in joined.views:
        agree_on_one_pose(view.corners_px, cameras)


def test_footage_that_does_not_belong_together_is_refused() -> None:
    rng = np.random.default_rng(7)
    a, cameras, _ = footage({"left": 0.0, "right": 0.0}, rng)
    b, _, _ = footage({"left": 0.0, "right": 0.0}, rng)
    with pytest.raises(BadInput, match=r"found none that agree in left\.mp4 .* may not belong together"):
        match_set({"left": a["left"], "right": b["right"]}, cameras, BOARD)


def test_mixed_footage_and_wrong_sizes_are_refused() -> None:
    parts, cameras, _ = footage({"left": 0.0, "right": 0.0}, np.random.default_rng(8))
    still = BoardFootage(Path("right"), SIZE_PX, False, parts["right"].holds, ("a",))
    with pytest.raises(BadInput, match="videos only or pictures only"):
        match_set({"left": parts["left"], "right": still}, cameras, BOARD)
    small = BoardFootage(Path("right.mp4"), (640, 360), True, parts["right"].holds)
    with pytest.raises(BadInput, match=r"right\.mp4: want 1280x720 px .* got 640x360"):
        match_set({"left": parts["left"], "right": small}, cameras, BOARD)


def test_a_camera_that_shares_too_little_is_flagged() -> None:
    parts, cameras, _ = footage({"left": 0.0, "right": 0.5, "side": 0.2}, np.random.default_rng(9))
    lonely = BoardFootage(Path("side.mp4"), SIZE_PX, True, parts["side"].holds[:1])
    joined = match_set({**parts, "side": lonely}, cameras, BOARD)
    assert any("camera side shares too few" in f for f in joined.flags) and "side" not in joined.offsets_s
