"""Shared footage while it is being filmed: which cameras have seen the board held still at the same moment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array
from calibration.guide.judge import Judged
from calibration.holds import LEAST_HOLD_S, LEAST_SHARED, STILL_DRIFT_SQUARES, STILL_SQUARES_PER_S
from calibration.views import Hold

ENOUGH_HOLDS = 10
"""Moments that each camera should share with another: what the how-to asks for."""

_MOST_HOLDS = 400
_OVERLAP = 0.5  # of the shorter hold: two cameras' pictures may come in a few tenths of a second apart
_THIRDS = ("left", "middle", "right")
_DEPTH_RATIO = 1.3  # the farthest hold against the nearest: below it, all stand at one distance


@dataclass(slots=True)
class HoldWatch:
    """Finds one camera's holds as its pictures come. done: the holds that ended, oldest first, at most 400."""

    board: Board
    done: list[Hold] = field(default_factory=list)
    _first: tuple[float, Array] | None = None
    _last_s: float = 0.0

    def feed(self, t_s: float, judged: Judged) -> Hold | None:
        """Takes the next picture's verdict at a time on the common clock; a hold that it ended, or None."""
        still = judged.corners_px is not None and self._still(judged)
        if still and self._first is None:
            self._first, self._last_s = (t_s, np.asarray(judged.corners_px)), t_s
            return None
        if still:
            self._last_s = t_s
            return None
        return self.close()

    def close(self) -> Hold | None:
        """Ends the hold under way, if it lasted long enough."""
        first, self._first = self._first, None
        if first is None or self._last_s - first[0] < LEAST_HOLD_S:
            return None
        hold = Hold(first[0], self._last_s, first[1])
        self.done = [*self.done[1 - _MOST_HOLDS :], hold]
        return hold

    def _still(self, judged: Judged) -> bool:
        corners, ids = judged.corners_px, judged.ids
        if corners is None or ids is None or len(ids) != self.board.columns * self.board.rows:
            return False
        square = _square_px(corners, self.board)
        if not judged.speed_px_s < STILL_SQUARES_PER_S * square:
            return False
        if self._first is None:
            return True
        # twice the allowed drift from the hold's middle, because it is counted from its beginning
        crept = np.linalg.norm(corners.mean(axis=0) - self._first[1].mean(axis=0))
        return bool(crept < 2 * STILL_DRIFT_SQUARES * square + 1.0)


def _square_px(corners_px: Array, board: Board) -> float:
    g = corners_px.reshape(board.rows, board.columns, 2)
    return float(max(np.linalg.norm(np.diff(g, axis=a), axis=-1).mean() for a in (0, 1)))


Moment = Mapping[str, Array]
"""One moment at which the board was held still: camera → its corners (N, 2) px."""


@dataclass(slots=True)
class _Open:
    start_s: float
    stop_s: float
    corners: dict[str, Array]


class SharedMoments:
    """Joins holds of several cameras over a common clock, as they end."""

    def __init__(self) -> None:
        self._moments: list[_Open] = []

    def add(self, camera: str, hold: Hold) -> None:
        """A hold of one camera, seconds on the common clock."""
        for moment in reversed(self._moments[-20:]):
            common = min(moment.stop_s, hold.stop_s) - max(moment.start_s, hold.start_s)
            shorter = min(moment.stop_s - moment.start_s, hold.stop_s - hold.start_s)
            if camera not in moment.corners and common > _OVERLAP * shorter:
                moment.corners[camera] = hold.corners_px
                return
        fresh = _Open(hold.start_s, hold.stop_s, {camera: hold.corners_px})
        self._moments = [*self._moments[1 - _MOST_HOLDS :], fresh]

    def shared(self) -> tuple[Moment, ...]:
        """The moments that two cameras or more have seen."""
        return tuple(m.corners for m in self._moments if len(m.corners) > 1)


@dataclass(frozen=True, slots=True)
class SharedStanding:
    """How well one shared set ties its cameras together.

    pairs     (camera, camera) → shared moments, for all pairs, in the order of the cameras
    unlinked  cameras that no chain of pairs with at least three moments joins to the first one
    missing   plain sentences, most important first; empty where nothing is
    """

    cameras: tuple[str, ...]
    pairs: Mapping[tuple[str, str], int]
    unlinked: tuple[str, ...]
    missing: tuple[str, ...]

    @property
    def enough(self) -> bool:
        """True where nothing is missing."""
        return not self.missing


def shared_standing(sizes_px: Mapping[str, tuple[int, int]], moments: Sequence[Moment]) -> SharedStanding:
    """How well shared moments tie the cameras together. sizes_px: every camera of the set, in order."""
    cameras = tuple(sizes_px)
    pairs = {(a, b): sum(a in m and b in m for m in moments) for a, b in combinations(cameras, 2)}
    unlinked = _unlinked(cameras, pairs)
    missing = [
        f"camera {name} is not linked: hold the board still where it and another camera see it whole, "
        f"at {LEAST_SHARED} places or more"
        for name in unlinked
    ]
    for name in cameras:
        seen = [m[name] for m in moments if name in m]
        if name not in unlinked:
            missing += _lacking(name, seen, sizes_px[name])
    return SharedStanding(cameras, pairs, unlinked, tuple(missing))


def _unlinked(cameras: Sequence[str], pairs: Mapping[tuple[str, str], int]) -> tuple[str, ...]:
    linked = {cameras[0]}
    for _ in cameras:
        linked |= {c for pair, n in pairs.items() if n >= LEAST_SHARED and set(pair) & linked for c in pair}
    return tuple(c for c in cameras if c not in linked) if len(linked) > 1 else tuple(cameras)


def _lacking(camera: str, seen: Sequence[NDArray[np.float64]], size_px: tuple[int, int]) -> list[str]:
    """Where in the volume one camera's shared holds are missing, as it sees it: across, and near or far."""
    out = []
    if len(seen) < ENOUGH_HOLDS:
        out.append(f"camera {camera}: {len(seen)} shared holds, want {ENOUGH_HOLDS}")
    centre = np.array([s.mean(axis=0) for s in seen])
    third = np.clip((3 * centre[:, 0] / size_px[0]).astype(int), 0, 2)
    empty = [words for i, words in enumerate(_THIRDS) if i not in third]
    if empty:
        out.append(f"camera {camera}: no hold in the {' and '.join(empty)} third of its picture")
    diagonal = np.array([np.linalg.norm(np.ptp(s, axis=0)) for s in seen])
    if diagonal.max() < _DEPTH_RATIO * diagonal.min():
        out.append(f"camera {camera}: all holds at one distance; hold the board nearer and farther")
    return out
