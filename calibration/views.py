"""Footage to board views: where and when the whole board is seen, and how sharply."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board, check_size, edge_rise_px, find_corners, grey, refine_corners
from calibration.checks import Array, checked
from calibration.errors import BadInput
from calibration.footage import FootageInfo, Image, frames, probe

Progress = Callable[[str, int, int], None]
"""Called as progress(label, done, total)."""

_THOROUGH_EVERY = 4  # while no board is seen, every n-th frame is searched with the slow finder
_KEPT_EVERY, _KEPT_MOST = 2, 16  # frames without a board kept to look for one of another size
_EARLY_CHECKS = (8, 24)  # after so many frames without any board: a wrong size is told in seconds, not minutes


def silent(label: str, done: int, total: int) -> None:
    """The progress callable that does nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class BoardView:
    """The board in one frame.

    index, t_s  of the frame in its footage
    name        picture file name without ending, "" for videos
    corners_px  (n, 2)
    rise_px     width of the board's edges; NaN where it was not asked for
    ids         (n,) which of the board's corners they are; all of them in order if not given
    """

    index: int
    t_s: float
    corners_px: Array
    name: str = ""
    rise_px: float = float("nan")
    ids: NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, dtype=np.intp))

    def __post_init__(self) -> None:
        corners = checked(self.corners_px, (None, 2), f"frame {self.index}: corners_px")
        object.__setattr__(self, "corners_px", corners)
        ids = np.array(self.ids if len(self.ids) else np.arange(len(corners)), dtype=np.intp)
        if ids.shape != corners.shape[:1] or len(set(ids.tolist())) < len(ids):
            raise BadInput(f"frame {self.index}: ids: want {len(corners)} different ones, got {ids.tolist()}")
        ids.flags.writeable = False
        object.__setattr__(self, "ids", ids)


@dataclass(frozen=True, slots=True, eq=False)
class BoardScan:
    """All board views of some footage. searched: how many frames were looked at."""

    path: Path
    size_px: tuple[int, int]
    is_video: bool
    views: tuple[BoardView, ...]
    searched: int


def scan_boards(
    path: Path, board: Board, *, rate_hz: float, refine: bool, label: str = "", progress: Progress = silent
) -> BoardScan:
    """Looks for the board in about `rate_hz` frames per second of a video, or in every picture of a folder.

    refine: sub-pixel corners and edge widths (slower); otherwise quick corners only.
    Raises BadInput where the footage cannot be read, or shows a board of another size than described.
    """
    info = probe(path)
    every = _stride(info, rate_hz)
    total = max(1, (info.frame_count_hint or 0) // every)
    views: list[BoardView] = []
    unsure: list[Image] = []
    near: Array | None = None
    searched = 0
    for frame in frames(path, every=every):
        image = grey(frame.image_bgr)
        thorough = not info.is_video or (near is None and searched % _THOROUGH_EVERY == 0)
        near = find_corners(image, board, near_px=near if info.is_video else None, thorough=thorough)
        corners = near if near is None or not refine else refine_corners(image, board, near)
        if corners is not None:
            rise = edge_rise_px(image, board, corners) if refine else float("nan")
            views.append(BoardView(frame.index, frame.t_s, corners, frame.name, rise))
        elif searched % _KEPT_EVERY == 0 and len(unsure) < _KEPT_MOST:
            unsure.append(image)
        searched += 1
        progress(label, min(searched, total), total)
        if not views and searched in _EARLY_CHECKS:
            check_size(board, unsure, str(path))
    progress(label, total, total)
    if len(views) < max(2, searched // 20):
        check_size(board, unsure, str(path))
    return BoardScan(path, info.size_px, info.is_video, tuple(views), searched)


@dataclass(frozen=True, slots=True, eq=False)
class Hold:
    """The board standing still in one camera: seconds on that camera's clock, and its corners (N, 2) px."""

    start_s: float
    stop_s: float
    corners_px: Array


def _stride(info: FootageInfo, rate_hz: float) -> int:
    if not info.is_video:
        return 1
    return max(1, round((info.nominal_fps or 30.0) / rate_hz))


def want_board(scan: BoardScan, least: int) -> None:
    """Raises BadInput where fewer than `least` views of the whole board were found."""
    if len(scan.views) < least:
        raise BadInput(
            f"{scan.path}: found the whole board in {len(scan.views)} of {scan.searched} frames looked at, "
            f"want at least {least}; hold it fully inside the picture, well lit, and not too far away"
        )
