"""Finding the board: accuracy, orientation, wrong sizes, pictures without a board."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest

from calibration.board import Board, check_board
from calibration.board.checkerboard import edge_rise_px, find_corners, refine_corners
from calibration.board.identity import GridSeen, grid_seen
from calibration.errors import BadInput
from calibration.geometry import Rigid
from tests.support.board_pictures import board_picture, make_camera, noisy

CAMERA = make_camera("a", (960, 540), 760.0)
BOARD = Board(9, 6, 0.1)


def placed(turn: tuple[float, float, float], middle: tuple[float, float, float], board: Board = BOARD) -> Rigid:
    R = Rigid.from_rotvec(np.array(turn), np.zeros(3), "rig", "board").R
    return Rigid(R, np.array(middle) - R @ board.centre_m(), "rig", "board")


@pytest.mark.parametrize(
    ("turn", "middle", "limit_px"),
    [
        ((0.3, 0.2, 0.1), (0.0, 0.0, 1.6), 0.07),
        ((0.4, -0.5, 0.2), (0.3, -0.1, 2.5), 0.07),
        ((0.2, 0.6, -0.3), (-0.8, 0.3, 4.0), 0.10),
        ((0.3, 0.3, 3.0), (0.0, 0.0, 2.0), 0.07),  # upside down
    ],
)
def test_corners_are_found_in_board_order(
    turn: tuple[float, float, float], middle: tuple[float, float, float], limit_px: float
) -> None:
    pose = placed(turn, middle)
    exact = CAMERA.project(pose.apply(BOARD.points_m()))
    image = noisy(
        cv2.GaussianBlur(board_picture(CAMERA, pose, 9, 6, 0.1), (0, 0), 0.7), np.random.default_rng(1)
    )
    found = find_corners(image, BOARD, thorough=True)
    assert found is not None
    refined = refine_corners(image, BOARD, found)
    assert refined is not None
    assert (
        np.sqrt(((refined - exact) ** 2).mean()) < limit_px
    )  # board order too: a half turn would be off by far


def test_found_again_near_the_last_place() -> None:
    first, then = placed((0.3, 0.2, 0.1), (0.0, 0.0, 2.0)), placed((0.3, 0.25, 0.1), (0.05, 0.02, 2.0))
    start = CAMERA.project(first.apply(BOARD.points_m()))
    found = find_corners(board_picture(CAMERA, then, 9, 6, 0.1), BOARD, near_px=start)
    assert found is not None
    assert np.abs(found - CAMERA.project(then.apply(BOARD.points_m()))).max() < 0.5


def test_a_board_that_looks_alike_upside_down_points_right() -> None:
    board = Board(9, 5, 0.1)
    assert board.looks_alike_upside_down and not BOARD.looks_alike_upside_down
    for roll in (0.2, 0.2 + np.pi):
        pose = placed((0.1, 0.2, roll), (0, 0, 2.0), board)
        found = find_corners(board_picture(CAMERA, pose, 9, 5, 0.1), board, thorough=True)
        assert found is not None and found[8, 0] > found[0, 0]


def test_no_board_no_corners_and_quickly() -> None:
    rng = np.random.default_rng(0)
    texture = cv2.GaussianBlur((rng.random((540, 960)) * 255).astype(np.uint8), (0, 0), 4)
    stretched = cv2.normalize(texture, None, 0, 255, cv2.NORM_MINMAX)
    assert find_corners(stretched.astype(np.uint8), BOARD, thorough=True) is None
    times = []
    for _ in range(5):
        start = time.perf_counter()
        assert find_corners(noisy(np.full((540, 960), 90, np.uint8), rng), BOARD) is None
        times.append(time.perf_counter() - start)
    assert min(times) < 0.08  # 10 ms on an idle machine, most of it for the noise


def test_half_a_board_is_not_a_board() -> None:
    image = board_picture(CAMERA, placed((0.1, 0.1, 0.1), (1.15, 0.0, 2.0)), 9, 6, 0.1)
    assert find_corners(image, BOARD, thorough=True) is None


def test_refining_away_from_a_board_gives_none() -> None:
    image = board_picture(CAMERA, placed((0.1, 0.1, 0.1), (0.0, 0.0, 2.0)), 9, 6, 0.1)
    elsewhere = CAMERA.project(placed((0.1, 0.1, 0.1), (0.05, 0.03, 2.0)).apply(BOARD.points_m()))
    assert refine_corners(image, BOARD, elsewhere) is None


def test_edges_get_wider_with_blur() -> None:
    pose = placed((0.2, 0.2, 0.1), (0, 0, 1.6))
    sharp = board_picture(CAMERA, pose, 9, 6, 0.1)
    corners = CAMERA.project(pose.apply(BOARD.points_m()))
    moved = cv2.blur(sharp, (11, 1))
    assert edge_rise_px(sharp, BOARD, corners) < 2.5
    assert edge_rise_px(moved, BOARD, corners) > 6


def test_a_wrong_size_is_named() -> None:
    pictures = [board_picture(CAMERA, placed((0.2, t, 0.1), (0, 0, 1.8)), 9, 6, 0.1) for t in (-0.3, 0.0, 0.3)]
    assert grid_seen(pictures[1]) == GridSeen(9, 6, whole=True)
    with pytest.raises(BadInput, match=r"x\.mp4: rig\.toml describes a board of 8 x 5 .* has 9 x 6"):
        check_board(Board(8, 5, 0.1), pictures, [], often=False, where="x.mp4")
    check_board(BOARD, pictures, [], often=False, where="x.mp4")
    # one picture alone may show half a board
    check_board(Board(8, 5, 0.1), pictures[:1], [], often=False, where="x.mp4")
    check_board(BOARD, [np.full((200, 200), 90, np.uint8)], [], often=False, where="x.mp4")


@pytest.mark.parametrize(
    ("sizes", "wanted"),
    [
        ((2, 2, 0.1), "3 to 60 inner corners"),
        ((99, 6, 0.1), "got columns = 99"),
        ((6, 9, 0.1), "got columns = 6, rows = 9"),
        ((6, 6, 0.1), "a square board has no direction"),
        ((9, 6, 100.0), "2 to 1000 mm, got 100000 mm"),
        ((9, 6, 0.1, 0.05), "a tenth of their side"),
    ],
)
def test_silly_boards_are_refused(sizes: tuple[int, int, float], wanted: str) -> None:
    with pytest.raises(BadInput, match=wanted):
        Board(*sizes)
