"""When the pictures of a video were taken: what its time stamps say, and where they alone cannot tell.

Pure arithmetic on stamps; `calibration.recorded_rate` reads them and decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput

_LOOK = 9  # intervals whose middle one is the local one: four lost pictures among them do not move it
_LEAST_STRETCH = 24  # frames of one rate; lost pictures alone rarely look like another rate for so long
_RATIO = 1.4  # between the rates of two stretches; below, a rate that wavers
_LOST = 1.5  # an interval this many times the usual one lacks a picture
_NTSC = 0.003  # 29.97 for 30 and 239.76 for 240: factors this close to a whole number are it


@dataclass(frozen=True, slots=True)
class VideoTimes:
    """True time as a function of stamped time: straight between knots, straight on beyond them.

    stamped_s, true_s  (K,) with K >= 2, both increasing, seconds since the file's first picture
    """

    stamped_s: tuple[float, ...] = (0.0, 1.0)
    true_s: tuple[float, ...] = (0.0, 1.0)

    def __post_init__(self) -> None:
        count = len(self.stamped_s)
        if count < 2 or len(self.true_s) != count:
            raise BadInput(f"video times: want two or more knots in both times, got {self}")
        for values in (self.stamped_s, self.true_s):
            if not np.all(np.diff(checked(np.array(values), (count,), "video times")) > 0):
                raise BadInput(f"video times: want increasing knots, got {values}")

    def true(self, stamped_s: Array | float) -> Array:
        """True times of stamped ones, any shape, seconds."""
        return _along(np.asarray(stamped_s, dtype=float), self.stamped_s, self.true_s)

    def stamped(self, true_s: Array | float) -> Array:
        """Stamped times of true ones, any shape, seconds."""
        return _along(np.asarray(true_s, dtype=float), self.true_s, self.stamped_s)


AS_STAMPED = VideoTimes()


def _along(x: Array, known: tuple[float, ...], values: tuple[float, ...]) -> Array:
    a, b = np.array(known), np.array(values)
    k = np.clip(np.searchsorted(a, x, side="right") - 1, 0, len(a) - 2)
    return np.asarray(b[k] + (x - a[k]) * (b[k + 1] - b[k]) / (a[k + 1] - a[k]))


@dataclass(frozen=True, slots=True)
class Stretch:
    """Pictures of one rate: from frame `first` to frame `last`, both counted; lost is how many lack between."""

    first: int
    last: int
    start_s: float
    stop_s: float
    interval_s: float
    lost: int

    @property
    def fps(self) -> float:
        """Stamped pictures a second, lost ones counted as if they were there."""
        return 1 / self.interval_s


def stretches_of(stamped_s: Array) -> tuple[Stretch, ...]:
    """A video's stretches of one rate each, from its stamps (N,), N >= 2, increasing.

    One where the rate stays or only wavers; single lost pictures are gaps in a stretch and end none.
    """
    stamps = np.asarray(stamped_s, dtype=float)
    intervals = np.diff(stamps)
    edges = [0, *_changes(intervals), len(intervals)]
    return tuple(_stretch(stamps, a, b) for a, b in pairwise(edges))


def _changes(intervals: Array) -> list[int]:
    """Indices of intervals where another rate begins."""
    if len(intervals) < 2 * _LEAST_STRETCH:
        return []
    half = _LOOK // 2
    padded = np.pad(intervals, half, mode="edge")
    local = np.log(np.median(np.lib.stride_tricks.sliding_window_view(padded, _LOOK), axis=1))
    found: list[int] = []
    start = 0
    level = float(np.median(local[:_LEAST_STRETCH]))
    away = np.log(_RATIO)
    k = _LEAST_STRETCH
    while k + _LEAST_STRETCH <= len(local):
        ahead = local[k : k + _LEAST_STRETCH]
        if np.all(np.abs(ahead - level) > away) and np.ptp(ahead) < away:
            found.append(k)
            start, level = k, float(np.median(ahead))
            k += _LEAST_STRETCH
            continue
        k += 1
        level = float(np.median(local[max(start, k - 4 * _LEAST_STRETCH) : k]))
    return found


def _stretch(stamps: Array, a: int, b: int) -> Stretch:
    d = np.diff(stamps[a : b + 1])
    usual = float(np.median(d))
    steps = np.maximum(np.where(d > _LOST * usual, np.rint(d / usual), 1.0), 1.0)
    # from the whole length: stamps rounded to milliseconds are off by 4 % one by one at 120 a second
    interval = float(d.sum() / steps.sum())
    return Stretch(a, b, float(stamps[a]), float(stamps[b]), interval, int(steps.sum() - len(d)))


def slowed_by(stretch: Stretch, recorded_fps: float) -> float:
    """How many times slower than life a stretch plays that was recorded at recorded_fps, every picture kept."""
    factor = recorded_fps * stretch.interval_s
    whole = round(factor)
    return float(whole) if whole and abs(factor / whole - 1) < _NTSC else factor


def times_recorded_at(stretches: tuple[Stretch, ...], recorded_fps: float) -> VideoTimes:
    """True times of a file whose pictures were all taken at one rate, whatever their stamps say.

    Raises BadInput for a rate that is not positive.
    """
    if not recorded_fps > 0:
        raise BadInput(f"recorded_fps: want > 0 pictures a second, got {recorded_fps}")
    stamped, true = [stretches[0].start_s], [0.0]
    for s in stretches:
        stamped.append(s.stop_s)
        true.append(true[-1] + (s.stop_s - s.start_s) / slowed_by(s, recorded_fps))
    return VideoTimes(tuple(stamped), tuple(true))
