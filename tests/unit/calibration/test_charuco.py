"""ChArUco boards, whole and partly hidden: which corners, how well, and when none are told."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.board import Board, Corners, check_board, find_board, refine_board, rise_px
from calibration.board.charuco import charuco_rise_px, find_charuco
from calibration.board.checkerboard import edge_rise_px
from calibration.board.identity import any_markers_seen
from calibration.errors import BadInput
from calibration.geometry import Rigid
from tests.support.board_pictures import board_picture, charuco_light, make_camera, noisy, pattern_picture

CAMERA = make_camera("a", (960, 540), 760.0)


def charuco(columns: int = 9, rows: int = 6, dictionary: str = "4x4_250") -> Board:
    return Board(columns, rows, 0.1, kind="charuco", marker_m=0.07, dictionary=dictionary)


BOARD = charuco()


def placed(turn: tuple[float, float, float], middle: tuple[float, float, float], board: Board = BOARD) -> Rigid:
    R = Rigid.from_rotvec(np.array(turn), np.zeros(3), "rig", "board").R
    return Rigid(R, np.array(middle) - R @ board.centre_m(), "rig", "board")


def drawn(pose: Rigid, board: Board = BOARD, blur_px: float = 0.7) -> NDArray[np.uint8]:
    picture = pattern_picture(CAMERA, pose, charuco_light(board), board.square_m)
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), blur_px), dtype=np.uint8)


def errors_px(found: Corners, pose: Rigid, board: Board = BOARD) -> NDArray[np.float64]:
    return found.px - CAMERA.project(pose.apply(board.points_m()))[found.ids]


@pytest.mark.parametrize(
    ("turn", "middle", "sigma", "limit_px"),
    [
        ((0.3, 0.2, 0.15), (0.0, 0.0, 1.6), 0.0, 0.06),
        ((0.3, 0.2, 0.15), (0.0, 0.0, 1.6), 3.0, 0.06),
        ((0.4, -0.5, 0.2), (0.3, -0.1, 2.5), 3.0, 0.10),  # squares of 30 px
        ((0.3, 0.3, 3.0), (0.0, 0.0, 2.0), 3.0, 0.08),  # upside down
    ],
)
def test_all_corners_of_a_whole_board(
    turn: tuple[float, float, float], middle: tuple[float, float, float], sigma: float, limit_px: float
) -> None:
    pose = placed(turn, middle)
    found = find_board(noisy(drawn(pose), np.random.default_rng(1), sigma), BOARD, thorough=True)
    assert found is not None
    assert found.ids.tolist() == list(range(54))
    assert np.sqrt((errors_px(found, pose) ** 2).mean()) < limit_px


def test_markers_do_not_pull_the_corners() -> None:
    """The rim around a marker is 4.5 px wide here: a plain square window would reach into the marker."""
    pose = placed((0.3, 0.2, 0.15), (0.0, 0.0, 2.5))
    image = drawn(pose)
    found = find_board(image, BOARD, thorough=True)
    assert found is not None and len(found.ids) == 54
    exact = CAMERA.project(pose.apply(BOARD.points_m()))
    start = exact.astype(np.float32).reshape(-1, 1, 2)
    plain = cv2.cornerSubPix(image, start, (9, 9), (-1, -1), (3, 60, 0.001)).reshape(-1, 2)
    assert np.sqrt((errors_px(found, pose) ** 2).mean()) < 0.3 * np.sqrt(((plain - exact) ** 2).mean())


def test_a_covered_and_cut_off_board_counts_with_the_corners_that_are_seen() -> None:
    pose = placed((0.3, 0.2, 0.15), (0.6, 0.0, 1.5))  # runs out of the picture on the right
    image = noisy(drawn(pose), np.random.default_rng(2))
    exact = CAMERA.project(pose.apply(BOARD.points_m()))
    x, y = np.rint(exact[20]).astype(int)
    cv2.circle(image, (int(x), int(y)), 70, 140, -1)  # a hand's worth of grey over the board
    found = find_board(image, BOARD, thorough=True)
    assert found is not None
    inside = ((exact > 8) & (exact < np.array([951, 531]))).all(axis=1)
    clear = np.linalg.norm(exact - exact[20], axis=1) > 75
    assert 8 < len(found.ids) < 50
    assert set(found.ids.tolist()) <= set(np.flatnonzero(inside & clear).tolist())
    assert np.abs(errors_px(found, pose)).max() < 0.3
    again = refine_board(image, BOARD, found)
    assert again is not None and np.abs(again.px - found.px).max() < 0.02


def test_found_again_near_the_last_place() -> None:
    pose = placed((0.3, 0.25, 0.15), (0.05, 0.02, 2.0))
    before = placed((0.3, 0.2, 0.15), (0.0, 0.0, 2.0))
    near = Corners(CAMERA.project(before.apply(BOARD.points_m())))
    found = find_charuco(drawn(pose), BOARD, near=near)
    assert found is not None and np.abs(errors_px(found, pose)).max() < 0.3


def test_no_board_and_too_little_of_one() -> None:
    rng = np.random.default_rng(0)
    texture = cv2.GaussianBlur((rng.random((540, 960)) * 255).astype(np.uint8), (0, 0), 3)
    assert find_board(np.asarray(cv2.equalizeHist(texture), dtype=np.uint8), BOARD, thorough=True) is None
    image = drawn(placed((0.1, 0.1, 0.1), (0.0, 0.0, 1.6)))
    image[:, 330:] = 120  # two columns of squares left
    found = find_board(image, BOARD, thorough=True)
    assert found is None or len(found.ids) >= 8
    image[:, 250:] = 120
    assert find_board(image, BOARD, thorough=True) is None


def test_refining_away_from_the_board_gives_none() -> None:
    elsewhere = Corners(CAMERA.project(placed((0.1, 0.1, 0.1), (0.05, 0.04, 2.0)).apply(BOARD.points_m())))
    assert refine_board(drawn(placed((0.1, 0.1, 0.1), (0.0, 0.0, 2.0))), BOARD, elsewhere) is None


def test_edge_widths_agree_with_the_checkerboards_and_grow_with_blur() -> None:
    pose = placed((0.2, 0.2, 0.15), (0, 0, 1.6))
    exact = CAMERA.project(pose.apply(BOARD.points_m()))
    plain = board_picture(CAMERA, pose, 9, 6, 0.1)
    for blur_px in (0.7, 1.5):
        other = edge_rise_px(cv2.GaussianBlur(plain, (0, 0), blur_px), Board(9, 6, 0.1), exact)
        assert rise_px(drawn(pose, blur_px=blur_px), BOARD, Corners(exact)) == pytest.approx(other, rel=0.25)
    moved = np.asarray(cv2.blur(drawn(pose), (11, 1)), dtype=np.uint8)
    assert charuco_rise_px(moved, BOARD, Corners(exact)) > 6
    part = Corners(exact[:27], np.arange(27))
    assert charuco_rise_px(drawn(pose), BOARD, part) == pytest.approx(2.2, abs=0.5)


def test_a_charuco_board_is_never_alike_upside_down() -> None:
    assert not charuco(9, 5).looks_alike_upside_down and Board(9, 5, 0.1).looks_alike_upside_down
    board = charuco(6, 6)  # square: fine, its markers say which way it lies
    pose = placed((0.2, 0.2, 1.7), (0, 0, 1.6), board)
    found = find_board(drawn(pose, board), board)
    assert found is not None and np.abs(errors_px(found, pose, board)).max() < 0.3


def pictures_of(board: Board, blank: bool = False) -> list[NDArray[np.uint8]]:
    out = [drawn(placed((0.2, t, 0.15), (0, 0, 1.8), board), board) for t in (-0.3, 0.0, 0.3)]
    return [np.full_like(p, 90) for p in out] if blank else out


@pytest.mark.parametrize(
    ("described", "shown", "often", "wanted"),
    [
        (BOARD, charuco(9, 6, "5x5_100"), False, "has markers of 5x5 bits; mend"),
        (BOARD, charuco(8, 6), False, "has 8 inner corners along a row; mend"),
        (BOARD, charuco(9, 8), False, "has marker 44; it has more rows; mend"),
        (
            BOARD,
            charuco(7, 5),
            True,
            "another one in the same footage has 7 inner corners along a row; use one",
        ),
        (Board(9, 6, 0.1), BOARD, False, "describes a checkerboard, but .* carries markers of 4x4 bits"),
    ],
)
def test_another_board_is_named_in_one_line(described: Board, shown: Board, often: bool, wanted: str) -> None:
    with pytest.raises(BadInput, match=wanted) as caught:
        check_board(described, pictures_of(shown), [], often, "x.mp4")
    assert "\n" not in str(caught.value) and str(caught.value).startswith("x.mp4: ")


def test_the_described_board_and_no_board_pass() -> None:
    check_board(BOARD, pictures_of(BOARD), [], False, "x.mp4")
    check_board(BOARD, pictures_of(BOARD, blank=True), [], False, "x.mp4")
    check_board(BOARD, pictures_of(charuco(8, 6))[:1], [], False, "x.mp4")  # one picture alone says nothing


def test_a_checkerboard_in_place_of_a_charuco_board() -> None:
    shown = [board_picture(CAMERA, placed((0.2, t, 0.15), (0, 0, 1.8)), 9, 6, 0.1) for t in (-0.3, 0.3)]
    with pytest.raises(BadInput, match="is a checkerboard of 9 x 6 inner corners; mend"):
        check_board(BOARD, shown, [], False, "x.mp4")


def test_two_alike_boards_in_one_picture() -> None:
    twice = [np.asarray(np.hstack([p, p]), dtype=np.uint8) for p in pictures_of(BOARD)]
    seen = any_markers_seen(twice[0])
    assert seen is not None and seen.across == 0
    assert find_board(twice[0], BOARD, thorough=True) is None
    with pytest.raises(BadInput, match="two boards with the same markers"):
        check_board(BOARD, twice, [], True, "x.mp4")


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ({"marker_m": None}, "charuco board wants marker_mm, got nothing"),
        ({"dictionary": None}, "charuco board wants dictionary, got nothing"),
        ({"dictionary": "8x8_50"}, "want a dictionary of 4x4_50, .* got '8x8_50'"),
        ({"dictionary": "4x4_50", "columns": 12, "rows": 9}, "want 65 markers, but dictionary 4x4_50 has 50"),
        ({"marker_m": 0.098}, "want markers of 40 to 90 mm in squares of 100 mm, got 98 mm"),
        ({"kind": "dots"}, "want kind = .* got 'dots'"),
        ({"kind": "checkerboard"}, "a checkerboard has no markers"),
    ],
)
def test_silly_charuco_boards_are_refused(change: dict[str, object], wanted: str) -> None:
    keys: dict[str, object] = {
        "columns": 9, "rows": 6, "square_m": 0.1, "kind": "charuco", "marker_m": 0.07, "dictionary": "4x4_250",
    }  # fmt: skip
    with pytest.raises(BadInput, match=wanted):
        Board(**(keys | change))


@pytest.mark.parametrize("ids", [[0, 0, 1], [2, 1, 0], [-1, 0, 1], [0, 1], [0, 1, 2.5]])
def test_ids_that_name_no_corners_are_refused(ids: list[float]) -> None:
    with pytest.raises(BadInput, match="ids"):
        Corners(np.zeros((3, 2)), np.array(ids))
