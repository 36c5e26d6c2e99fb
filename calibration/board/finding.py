"""Finding a board of any kind in a picture: the one place that tells the kinds apart."""

from __future__ import annotations

from calibration.board.charuco import charuco_rise_px, find_charuco, refine_charuco
from calibration.board.checkerboard import edge_rise_px, find_corners, refine_corners
from calibration.board.description import CHARUCO, Board, Corners
from calibration.footage import Image


def find_board(
    picture: Image, board: Board, *, near: Corners | None = None, thorough: bool = False
) -> Corners | None:
    """The board's inner corners in the picture: all of a checkerboard's, or those seen of a ChArUco board.

    near: corners in the frame before, searched first. thorough: search small boards too, which costs more.
    None where no checkerboard is seen whole, or fewer than 8 corners of a ChArUco board.
    """
    if board.kind == CHARUCO:
        return find_charuco(picture, board, near=near, thorough=thorough)
    px = find_corners(picture, board, near_px=None if near is None else near.px, thorough=thorough)
    return None if px is None else Corners(px)


def refine_board(picture: Image, board: Board, start: Corners) -> Corners | None:
    """Sub-pixel corners of a board that was seen near `start`; None where it is not there."""
    if board.kind == CHARUCO:
        return refine_charuco(picture, board, start)
    px = refine_corners(picture, board, start.px)
    return None if px is None else Corners(px)


def rise_px(picture: Image, board: Board, corners: Corners) -> float:
    """How many pixels a dark-to-light edge of the board takes (10 % to 90 %), the worse direction of two."""
    if board.kind == CHARUCO:
        return charuco_rise_px(picture, board, corners)
    return edge_rise_px(picture, board, corners.px)
