"""Finding the board in one picture, behind a small function that another kind of board can replace."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board import CHECKERBOARD, Board, Corners, find_board, grey, rise_px
from calibration.checks import Array
from calibration.footage import Image

Find = Callable[[Image], "tuple[Array, NDArray[np.int_]] | None"]
"""Corners (N, 2) px in a picture and which of the board's points they are (N,), or None where none is seen."""

Rise = Callable[[Image, Array, "NDArray[np.int_]"], float]
"""Width of the board's edges in the picture, px; NaN where it cannot be told from these corners."""

PartlyOutside = Callable[[Image], bool]
"""Whether a picture in which the board was not found shows a part of it at the picture's border."""

_THOROUGH_EVERY = 4  # as in views.py: the slow finder on every fourth picture without a board
_PART_WIDTH_PX = 480  # a part of a board is looked for at this width: about 20 ms
_PART_LEAST = (3, 3)


@dataclass(slots=True)
class BoardFinder:
    """Finds the board in one camera's pictures. Remembers where it was last, for speed; one per camera."""

    board: Board
    _near: Corners | None = None
    _misses: int = 0

    def find(self, image: Image) -> tuple[Array, NDArray[np.int_]] | None:
        """Corners in board order and their numbers, or None."""
        thorough = self._near is not None or self._misses % _THOROUGH_EVERY == 0
        found = find_board(grey(image), self.board, near=self._near, thorough=thorough)
        self._misses = 0 if found is not None else self._misses + 1
        self._near = found
        return None if found is None else (found.px, found.ids)

    def rise_px(self, image: Image, corners_px: Array, ids: NDArray[np.int_]) -> float:
        """Edge width of the board; NaN where it cannot be told from these corners."""
        if self.board.kind == CHECKERBOARD and len(ids) != self.board.count:
            return float("nan")
        return rise_px(image, self.board, Corners(corners_px, ids))


def part_at_border(image: Image) -> bool:
    """True where a piece of a checkerboard, of 3 x 3 inner corners or more, runs out of the picture.

    The piece counts as running out where its next corners would lie outside.
    """
    small = grey(image)
    if small.shape[1] > _PART_WIDTH_PX:
        scale = _PART_WIDTH_PX / small.shape[1]
        small = np.asarray(cv2.resize(small, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    found, corners, meta = cv2.findChessboardCornersSBWithMeta(small, _PART_LEAST, cv2.CALIB_CB_LARGER)
    if not found or meta is None:
        return False
    rows, columns = meta.shape
    g = np.asarray(corners, dtype=float).reshape(rows, columns, 2)
    beyond = np.concatenate(
        [2 * g[0] - g[1], 2 * g[-1] - g[-2], 2 * g[:, 0] - g[:, 1], 2 * g[:, -1] - g[:, -2]]
    )
    return bool(((beyond < 0) | (beyond > np.array(small.shape[::-1]) - 1)).any())
