"""A board's pattern as black rectangles on white, in millimetres."""

from __future__ import annotations

from itertools import groupby

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board import DICTIONARIES, Board

RIM_SQUARES = 0.5
"""White rim around the squares, in squares: finders need a light border, and half a square is enough of it."""

Rectangle = tuple[float, float, float, float]
"""x, y of the upper left corner, width, height, in millimetres; y runs down."""


def art_size_mm(board: Board) -> tuple[float, float]:
    """Width and height of the pattern with its white rim."""
    side = board.square_m * 1e3
    return (board.columns + 1 + 2 * RIM_SQUARES) * side, (board.rows + 1 + 2 * RIM_SQUARES) * side


def black_rectangles_mm(board: Board) -> list[Rectangle]:
    """Everything black; the origin is the upper left corner of the white rim. None overlaps another."""
    side = board.square_m * 1e3
    out: list[Rectangle] = []
    marker = 0
    for row in range(board.rows + 1):
        for column in range(board.columns + 1):
            x, y = (column + RIM_SQUARES) * side, (row + RIM_SQUARES) * side
            if (column + row) % 2 == 0:
                out.append((x, y, side, side))
            elif board.marker_m is not None:
                rim = (side - board.marker_m * 1e3) / 2
                cell = board.marker_m * 1e3 / len(_cells(board, marker))
                out += [(x + rim + cell * i, y + rim + cell * j, cell * n, cell)
                        for j, i, n in _runs(_cells(board, marker))]  # fmt: skip
                marker += 1
    return out


def _cells(board: Board, marker: int) -> NDArray[np.bool_]:
    """(n, n) True where the marker, with its black border one cell wide, is black."""
    name = str(board.dictionary)
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARIES[name])
    cells = dictionary.generateImageMarker(marker, int(name[0]) + 2, borderBits=1)
    return np.asarray(np.asarray(cells) < 128)


def _runs(black: NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """(row, first column, length) of each run of black cells."""
    out = []
    for j, row in enumerate(black.tolist()):
        i = 0
        for is_black, cells in groupby(row):
            n = len(list(cells))
            if is_black:
                out.append((j, i, n))
            i += n
    return out
