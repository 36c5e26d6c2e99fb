"""Racket points between two clicks: followed through the video, or on the curve through the clicks."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from calibration.checks import Array
from calibration.footage import Video, frames
from recon.keypoints import FillOptions, Known, Points, curve_between, fill_between
from recon.keypoints.fill import Filled
from recon.racket_points import CameraFrames

Frames = NDArray[np.bool_]
NOTHING = Points(np.empty(0), np.empty((0, 2)), np.empty(0))


@dataclass(frozen=True, slots=True, eq=False)
class RacketRoute:
    """What came of a session's racket points.

    filled  camera → point → (T,) frames of its tracks whose place was filled in
    told    sentences for the record: which way gave which points
    """

    filled: Mapping[str, Mapping[str, Frames]] = field(default_factory=dict)
    told: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class FilledIn:
    """Places of one point in one camera that nobody clicked: followed by flow, and laid on the curve."""

    followed: Points
    on_curve: Points

    def all(self) -> Points:
        """Both."""
        return _together([self.followed, self.on_curve])


def filled_in(
    video: Video | None, within: CameraFrames, known: Mapping[str, Points], options: FillOptions
) -> dict[str, FilledIn]:
    """What can be filled in between neighbouring clicks of each point.

    Followed where there is a video, which is read once; else, and where that fails, on the curve through the
    clicks if they are near enough to each other.
    """
    gaps = [
        _Gap(name, points, i)
        for name, points in known.items()
        for i, (a, b) in enumerate(pairwise(points.t_s))
        if 1.5 * within.step_s < b - a <= options.reach_s
    ]
    followed_ones: dict[str, list[Points]] = {}
    curved_ones: dict[str, list[Points]] = {}
    followed: Iterator[tuple[_Gap, Points]] = iter(())
    if video is not None:
        ordered = sorted(gaps, key=lambda g: g.stop_s)
        followed = (
            (gap, _places(times, fill_between(pictures, gap.guess(times), gap.known(0), gap.known(1), options)))
            for gap, times, pictures in _stretches(video, ordered, within.step_s)
        )
    seen = {(gap.name, gap.first): way for gap, way in followed}
    for gap in gaps:
        way = seen.get((gap.name, gap.first), NOTHING)
        followed_ones.setdefault(gap.name, []).append(way)
        curved_ones.setdefault(gap.name, []).append(gap.on_curve(within, way.t_s, options))
    return {n: FilledIn(_together(followed_ones[n]), _together(curved_ones[n])) for n in followed_ones}


def _together(parts: Sequence[Points]) -> Points:
    return Points(*(np.concatenate([getattr(p, f) for p in parts]) for f in ("t_s", "uv_px", "sigma_px")))


def _places(t_s: Array, way: Filled) -> Points:
    there = ~np.isnan(way.sigma_px)
    return Points(t_s[there], way.uv_px[there], way.sigma_px[there])


@dataclass(frozen=True, slots=True, eq=False)
class _Gap:
    """From the `first`th click of a point to the next."""

    name: str
    points: Points
    first: int

    @property
    def start_s(self) -> float:
        return float(self.points.t_s[self.first])

    @property
    def stop_s(self) -> float:
        return float(self.points.t_s[self.first + 1])

    def known(self, end: int) -> Known:
        k = self.first + end
        return Known(self.points.uv_px[k], float(self.points.sigma_px[k]))

    def on_curve(self, within: CameraFrames, but_s: Array, options: FillOptions) -> Points:
        """The frames in between, but for those at but_s, on the curve through the clicks if these are near."""
        if self.stop_s - self.start_s > options.curve_reach_s or len(self.points.t_s) < 3:
            return NOTHING
        t, half = within.t_s, within.step_s / 2
        t = t[(t > self.start_s + half) & (t < self.stop_s - half)]
        t = t[[not np.any(np.abs(but_s - x) < half) for x in t]]
        near = slice(max(self.first - 1, 0), self.first + 3)
        own = (self.points.t_s[near], self.points.uv_px[near], self.points.sigma_px[near])
        if len(own[0]) < 3 or np.diff(own[0]).max() > options.reach_s:
            return NOTHING
        return _places(t, curve_between(t, *own, min(self.first, 1), options))

    def guess(self, t_s: Array) -> Array:
        """(N, 2) a cubic through this click, the next, and one beyond each, as far as there are."""
        near = slice(max(self.first - 1, 0), self.first + 3)
        return np.asarray(CubicSpline(self.points.t_s[near], self.points.uv_px[near])(t_s))


def _stretches(
    video: Video, gaps: Sequence[_Gap], step_s: float
) -> Iterator[tuple[_Gap, Array, list[NDArray[np.uint8]]]]:
    """Each gap with its frame times and grey pictures; no more are held than the gaps under way need."""
    waiting = deque(gaps)
    held: deque[tuple[float, NDArray[np.uint8]]] = deque()
    if not waiting:
        return
    first = min(g.start_s for g in waiting)
    for frame in frames(video, start_s=first - step_s / 2, stop_s=waiting[-1].stop_s + step_s / 2):
        held.append((frame.t_s, np.asarray(cv2.cvtColor(frame.image_bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)))
        while waiting and frame.t_s >= waiting[0].stop_s - step_s / 2:
            gap = waiting.popleft()
            own = [(t, p) for t, p in held if gap.start_s - step_s / 2 < t < gap.stop_s + step_s / 2]
            yield gap, np.array([t for t, _ in own]), [p for _, p in own]
        if not waiting:
            return
        oldest = min(g.start_s for g in waiting) - step_s
        while held and held[0][0] < oldest:
            held.popleft()
