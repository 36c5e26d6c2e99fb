"""Footage to board views: where and when the board is seen, which of its corners, and how sharply."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from calibration.board import (
    CHARUCO,
    Board,
    Corners,
    Ids,
    check_board,
    checked_ids,
    find_board,
    grey,
    no_ids,
    refine_board,
    rise_px,
)
from calibration.checks import Array, checked
from calibration.errors import BadInput
from calibration.footage import FootageInfo, Image, frames, probe

Progress = Callable[[str, int, int], None]
"""Called as progress(label, done, total)."""

_THOROUGH_EVERY = 4  # while no board is seen, every n-th frame is searched with the slow finder
_KEPT_MOST = 16  # frames without the board kept, spread over the footage, to look for another board in them
_KEPT_WITH = 4  # frames with it kept to look for a second one beside it
_OFTEN = 0.05  # share of the frames in which the board is found, from which on another board is a second one
_EARLY_CHECKS = (8, 24)  # after so many frames without any board: a wrong size is told in seconds, not minutes


def silent(label: str, done: int, total: int) -> None:
    """The progress callable that does nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class BoardView:
    """The board in one frame: the whole checkerboard, or the part of a ChArUco board that is seen.

    index, t_s  of the frame in its footage
    corners_px  (n, 2) inner corners
    name        picture file name without ending, "" for videos
    rise_px     width of the board's edges; NaN where it was not asked for
    ids         (n,) indices into Board.points_m(); left out: all corners in order
    """

    index: int
    t_s: float
    corners_px: Array
    name: str = ""
    rise_px: float = float("nan")
    ids: Ids = field(default_factory=no_ids)

    def __post_init__(self) -> None:
        where = f"frame {self.index}"
        object.__setattr__(self, "corners_px", checked(self.corners_px, (None, 2), f"{where}: corners_px"))
        object.__setattr__(self, "ids", checked_ids(self.ids, len(self.corners_px), f"{where}: ids"))


@dataclass(frozen=True, slots=True, eq=False)
class BoardScan:
    """All board views of some footage. searched: how many frames were looked at."""

    path: Path
    size_px: tuple[int, int]
    is_video: bool
    views: tuple[BoardView, ...]
    searched: int


class _Spread:
    """Keeps a few of many items, spread evenly over all that came: when full, every other one goes."""

    def __init__(self, most: int) -> None:
        self.kept: list[tuple[Image, Corners | None]] = []
        self._most, self._every, self._came = most, 1, 0

    def add(self, image: Image, corners: Corners | None = None) -> None:
        if self._came % self._every == 0:
            self.kept.append((image, corners))
        if len(self.kept) > self._most:
            self.kept, self._every = self.kept[::2], 2 * self._every
        self._came += 1


def scan_boards(
    path: Path, board: Board, *, rate_hz: float, refine: bool, label: str = "", progress: Progress = silent
) -> BoardScan:
    """Looks for the board in about `rate_hz` frames per second of a video, or in every picture of a folder.

    refine: sub-pixel corners and edge widths (slower); otherwise quick corners only.
    Raises BadInput where the footage cannot be read, or shows another board than described, or a second one.
    """
    info = probe(path)
    every = _stride(info, rate_hz)
    total = max(1, (info.frame_count_hint or 0) // every)
    views: list[BoardView] = []
    without, found = _Spread(_KEPT_MOST), _Spread(_KEPT_WITH)
    near: Corners | None = None
    searched = 0
    for frame in frames(path, every=every):
        image = grey(frame.image_bgr)
        thorough = not info.is_video or (near is None and searched % _THOROUGH_EVERY == 0)
        near = find_board(image, board, near=near if info.is_video else None, thorough=thorough)
        corners = near if near is None or not refine else refine_board(image, board, near)
        if corners is not None:
            rise = rise_px(image, board, corners) if refine else float("nan")
            views.append(BoardView(frame.index, frame.t_s, corners.px, frame.name, rise, corners.ids))
            found.add(image, corners)
        else:
            without.add(image)
        searched += 1
        progress(label, min(searched, total), total)
        if not views and searched in _EARLY_CHECKS:
            _check(board, without, found, False, path)
    progress(label, total, total)
    _check(board, without, found, len(views) >= max(2, _OFTEN * searched), path)
    return BoardScan(path, info.size_px, info.is_video, tuple(views), searched)


def _check(board: Board, without: _Spread, found: _Spread, often: bool, path: Path) -> None:
    with_board = [(image, corners) for image, corners in found.kept if corners is not None]
    check_board(board, [image for image, _ in without.kept], with_board, often, str(path))


@dataclass(frozen=True, slots=True, eq=False)
class Hold:
    """The board standing still in one camera: seconds on that camera's clock, and the corners seen of it.

    corners_px (n, 2); ids (n,) indices into Board.points_m(), left out: all corners in order.
    """

    start_s: float
    stop_s: float
    corners_px: Array
    ids: Ids = field(default_factory=no_ids)

    def __post_init__(self) -> None:
        where = f"hold at {self.start_s:g} s"
        object.__setattr__(self, "corners_px", checked(self.corners_px, (None, 2), f"{where}: corners_px"))
        object.__setattr__(self, "ids", checked_ids(self.ids, len(self.corners_px), f"{where}: ids"))


def _stride(info: FootageInfo, rate_hz: float) -> int:
    if not info.is_video:
        return 1
    return max(1, round((info.nominal_fps or 30.0) / rate_hz))


def want_board(scan: BoardScan, least: int, board: Board) -> None:
    """Raises BadInput where fewer than `least` views of the board were found."""
    if len(scan.views) < least:
        what, how = (
            ("8 or more corners of the board", "hold it so that its markers are sharp in the picture")
            if board.kind == CHARUCO
            else ("the whole board", "hold it fully inside the picture")
        )
        raise BadInput(
            f"{scan.path}: found {what} in {len(scan.views)} of {scan.searched} frames looked at, "
            f"want at least {least}; {how}, well lit, and not too far away"
        )
