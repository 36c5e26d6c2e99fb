"""Which board views a lens calibration rests on: sharp ones, spread over picture, distances and tilts."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from calibration.board import Board
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.views import BoardView

MOST_VIEWS = 40  # more change the result by less than its uncertainty and cost time
_BLUR_RATIO = 1.7  # edges wider than this times the sharper quarter's are taken as blurred
_GRID = (12, 8)


def sharp_views(views: Sequence[BoardView]) -> list[BoardView]:
    """Those whose edges are no wider than 1.7 times the sharper quarter's; all where no width is known."""
    rises = np.array([v.rise_px for v in views])
    known = rises[np.isfinite(rises)]
    if not known.size:
        return list(views)
    limit = _BLUR_RATIO * np.quantile(known, 0.25)
    return [v for v, rise in zip(views, rises, strict=True) if not rise > limit]


def place_of(view: BoardView, board: Board, size_px: tuple[int, int]) -> Array:
    """Where the board stands in the picture (2), how large (1) and how tilted (2), each of order 1."""
    c = view.corners_px
    diagonal = float(np.hypot(*size_px))
    centre = (c.mean(axis=0) - np.array(size_px) / 2) / diagonal
    size = np.log(np.sqrt(max(np.linalg.det(np.cov(c.T)), 1e-12)) / diagonal)
    unit = board.points_m()[view.ids, :2]
    unit = (unit - unit.mean(axis=0)) / unit.std()
    h, _ = cv2.findHomography(unit, (c - c.mean(axis=0)) / c.std())
    return np.array([2 * centre[0], 2 * centre[1], 0.4 * size, 4 * h[2, 0], 4 * h[2, 1]])


def spread_choice(places: Array, most: int = MOST_VIEWS) -> list[int]:
    """Farthest-point sampling: each next view is the one least like those chosen before."""
    chosen = [int(np.linalg.norm(places - places.mean(axis=0), axis=1).argmin())]
    distance = np.linalg.norm(places - places[chosen[0]], axis=1)
    while len(chosen) < min(most, len(places)):
        chosen.append(int(distance.argmax()))
        distance = np.minimum(distance, np.linalg.norm(places - places[chosen[-1]], axis=1))
    return sorted(chosen)


def want_variety(places: Array, where: str) -> None:
    """Raises BadInput where all views show the board at one place and tilt."""
    spread = places.max(axis=0) - places.min(axis=0)
    if np.hypot(*spread[3:]) < 0.1 and spread.max() < 0.25:
        raise BadInput(
            f"{where}: the board is always in the same place; move it over the whole picture, near and far, "
            "and tilt it 30 to 45 degrees in different directions"
        )


def coverage(corners: Sequence[Array], size_px: tuple[int, int]) -> float:
    """Share of the picture (of 12 x 8 fields) in which at least one corner was seen."""
    all_px = np.concatenate(list(corners))
    cells = np.floor((all_px + 0.5) / np.array(size_px) * np.array(_GRID)).astype(int)
    inside = ((cells >= 0) & (cells < np.array(_GRID))).all(axis=1)
    return len({tuple(c) for c in cells[inside].tolist()}) / (_GRID[0] * _GRID[1])
