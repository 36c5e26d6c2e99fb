"""Scanning footage: partly hidden boards count, and a second board is refused."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.board import Board
from calibration.board.identity import GridSeen, grid_seen
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry import Rigid
from calibration.views import scan_boards, want_board
from tests.support.board_pictures import board_picture, charuco_light, make_camera, noisy, pattern_picture

CAMERA = make_camera("a", (960, 540), 760.0)
BOARD = Board(9, 6, 0.1)
CHARUCO = Board(9, 6, 0.1, kind="charuco", marker_m=0.07, dictionary="4x4_250")


def placed(turn: tuple[float, float, float], middle: tuple[float, float, float], board: Board) -> Rigid:
    R = Rigid.from_rotvec(np.array(turn), np.zeros(3), "rig", "board").R
    return Rigid(R, np.array(middle) - R @ board.centre_m(), "rig", "board")


def poses(board: Board, count: int, distance_m: float = 1.8) -> list[Rigid]:
    return [placed((0.3, 0.4 * np.sin(i), 0.15), (0.1 * (i % 3), 0.0, distance_m), board) for i in range(count)]


def shown(board: Board, pose: Rigid) -> NDArray[np.uint8]:
    if board.kind == "charuco":
        return pattern_picture(CAMERA, pose, charuco_light(board), board.square_m)
    return board_picture(CAMERA, pose, board.columns, board.rows, board.square_m)


def folder_of(folder: Path, pictures: list[NDArray[np.uint8]]) -> Path:
    folder.mkdir()
    for i, picture in enumerate(pictures):
        cv2.imwrite(str(folder / f"{i:03d}.png"), noisy(picture, np.random.default_rng(i)))
    return folder


def test_a_partly_hidden_charuco_board_counts(tmp_path: Path) -> None:
    exact: list[Array] = []
    pictures = []
    for i, pose in enumerate(poses(CHARUCO, 4)):
        exact.append(CAMERA.project(pose.apply(CHARUCO.points_m())))
        picture = shown(CHARUCO, pose)
        x, y = np.rint(exact[-1][8 * i + 4]).astype(int)
        cv2.circle(picture, (int(x), int(y)), 45, 140, -1)
        pictures.append(picture)
    scan = scan_boards(folder_of(tmp_path / "p", pictures), CHARUCO, rate_hz=6.0, refine=True)
    assert len(scan.views) == 4
    want_board(scan, 4, CHARUCO)
    for view in scan.views:
        assert 20 < len(view.ids) < 54 and 1.0 < view.rise_px < 3.5
        assert np.abs(view.corners_px - exact[view.index][view.ids]).max() < 0.3
    with pytest.raises(BadInput, match=r"8 or more corners of the board in 4 of 4 frames .* at least 5"):
        want_board(scan, 5, CHARUCO)


@pytest.mark.parametrize(
    ("described", "other", "wanted"),
    [
        (BOARD, Board(7, 4, 0.1), "describes a board of 9 x 6 .* another one of 7 x 4 appears in the same"),
        (BOARD, Board(11, 8, 0.07), "another one of 11 x 8 appears in the same footage"),
        (CHARUCO, Board(7, 4, 0.1, kind="charuco", marker_m=0.07, dictionary="4x4_250"),
         "another one in the same footage has 7 inner corners along a row"),
    ],
)  # fmt: skip
def test_two_boards_of_different_sizes_in_one_footage(
    tmp_path: Path, described: Board, other: Board, wanted: str
) -> None:
    pictures = [shown(described, p) for p in poses(described, 3)] + [shown(other, p) for p in poses(other, 2)]
    with pytest.raises(BadInput, match=wanted) as caught:
        scan_boards(folder_of(tmp_path / "p", pictures), described, rate_hz=6.0, refine=False)
    assert "\n" not in str(caught.value)


def test_a_second_board_beside_the_first(tmp_path: Path) -> None:
    pictures = []
    for i in range(3):
        left = placed((0.2, 0.1 * i, 0.1), (-0.75, 0.0, 2.0), BOARD)
        right = placed((0.2, -0.2, 0.1), (0.75, 0.1, 2.0), Board(7, 4, 0.1))
        a, b = shown(BOARD, left), shown(Board(7, 4, 0.1), right)
        pictures.append(np.where(np.arange(960) < 480, a, b).astype(np.uint8))
    with pytest.raises(BadInput, match="a second board, of 7 x 4 inner corners, stands in the same picture"):
        scan_boards(folder_of(tmp_path / "p", pictures), BOARD, rate_hz=6.0, refine=False)


def test_a_half_hidden_board_is_no_second_one(tmp_path: Path) -> None:
    pictures = [shown(BOARD, p) for p in poses(BOARD, 3)]
    for shift_m in (0.0, 0.03):  # square on, and covered from the seventh column of corners on
        pose = placed((0.0, 0.0, 0.0), (shift_m, 0.0, 1.8), BOARD)
        picture = shown(BOARD, pose)
        picture[:, int(CAMERA.project(pose.apply(BOARD.points_m()))[6, 0]) :] = 110
        assert grid_seen(picture) == GridSeen(6, 6, whole=False)
        pictures.append(picture)
    assert grid_seen(pictures[0]) == GridSeen(9, 6, whole=True)
    cut = [shown(BOARD, placed((0.2, 0.1 * i, 0.1), (0.95, 0.0, 1.8), BOARD)) for i in range(2)]
    scan = scan_boards(folder_of(tmp_path / "p", pictures + cut), BOARD, rate_hz=6.0, refine=False)
    assert len(scan.views) == 3
