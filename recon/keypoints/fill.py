"""A point between two frames in which it is known: followed by optical flow from both, and compared.

Pyramidal Lucas-Kanade flow: Bouguet JY (2001), Pyramidal implementation of the affine Lucas Kanade feature
tracker, Intel Corporation; forward-backward check: Kalal Z, Mikolajczyk K, Matas J (2010), Proc ICPR,
2756-2759.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput

Grey = NDArray[np.uint8]

_STOP = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 30, 0.01)
_STANDARD_HEIGHT_PX = 720


@dataclass(frozen=True, kw_only=True, slots=True)
class FillOptions:
    """How a point is followed, and how wrong it then is.

    Pixels are those of a picture 720 high; larger pictures, larger lengths.
    window_px    side of the square that is compared from frame to frame
    back_px      a step that, followed back, misses its beginning by more has failed
    parted_px    the ways from both ends may lie so far apart; beyond it one of them is wrong, and which is not
                 known
    of_parted    u of a filled frame as a share of how far the ways lie apart
    per_frame_px what is added, in squares, for each frame from the nearer end
    reach_s      longer stretches are not followed: it was measured up to this
    curve_reach_s  nor, where following fails, laid on the curve through the clicks
    of_parabolas u of a place on that curve, as a share of how far the parabolas through the clicks on either
                 side lie apart
    of_bend      the same where there are clicks beyond one end only, of how far the parabola lies from the
                 straight line

    The sizes of u are what benchmarks/racket_points.py measured on rendered serves. A way that arrives alone is
    not used: one such place in twenty was off by 20 px and more, although each step went back to where it began
    and its square looked like the one before (correlation over 0.9), so that likeness is not asked for.
    """

    window_px: int = 21
    back_px: float = 2.0
    parted_px: float = 16.0
    of_parted: float = 0.20
    per_frame_px: float = 0.30
    reach_s: float = 0.125
    curve_reach_s: float = 0.07
    of_parabolas: float = 0.5
    of_bend: float = 2.0

    def __post_init__(self) -> None:
        if min(self.window_px, self.back_px, self.parted_px, self.reach_s, self.curve_reach_s) <= 0:
            raise BadInput(f"fill: want positive limits, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Where a point is in one frame: uv_px (2,), sigma_px per axis."""

    uv_px: Array
    sigma_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """Places between two known ones: uv_px (N, 2), sigma_px (N,), NaN where following failed; both ends too.

    parted_px (N,): how far the ways from both ends lie apart.
    """

    uv_px: Array
    sigma_px: Array
    parted_px: Array


def fill_between(
    pictures: Sequence[Grey], guess_px: Array, first: Known, last: Known, options: FillOptions | None = None
) -> Filled:
    """Follow a point through `pictures` (N >= 2), in the first and last of which it is known.

    guess_px (N, 2): roughly where it is, as what was clicked foretells; each step of a way starts with its
    move. A frame's place is the mean of both ways, weighted by how near each began. Its u is made of both
    ends' own (which it shares with its neighbours), of how far the ways lie apart beyond what these explain,
    and of the distance from the nearer end.
    """
    options = options or FillOptions()
    n = len(pictures)
    scale = max(pictures[0].shape[0] / _STANDARD_HEIGHT_PX, 1.0)
    forth = _followed(pictures, guess_px, range(n), first.uv_px, options, scale)
    back = _followed(pictures, guess_px, range(n - 1, -1, -1), last.uv_px, options, scale)
    w = np.arange(n) / (n - 1)
    steps = np.minimum(np.arange(n), np.arange(n)[::-1])
    parted = np.hypot(*(forth - back).T)
    arrived = (parted <= options.parted_px * scale) & (steps > 0)
    uv = np.where(arrived[:, None], (1 - w)[:, None] * forth + w[:, None] * back, np.nan)
    own2 = (1 - w) ** 2 * first.sigma_px**2 + w**2 * last.sigma_px**2
    beyond2 = np.maximum(parted**2 - 2 * (first.sigma_px**2 + last.sigma_px**2), 0.0)
    drift2 = options.of_parted**2 * beyond2 + (options.per_frame_px * scale) ** 2 * steps
    return Filled(uv, np.where(arrived, np.sqrt(own2 + drift2), np.nan), np.where(arrived, parted, np.nan))


def curve_between(
    t_s: Array,
    click_s: Array,
    click_px: Array,
    click_sigma_px: Array,
    first: int,
    options: FillOptions | None = None,
) -> Filled:
    """Places on the smooth curve through clicks at times t_s (N,) between the `first`th and the next.

    click_s (K,), click_px (K, 2), click_sigma_px (K,): the clicks around, K >= 3. A cubic through two clicks on
    either side, or a parabola at an end. Its u is made of the clicks' own and of what the curve may miss, as
    told by how far two parabolas (or parabola and straight line) lie apart. parted_px is that distance.
    """
    options = options or FillOptions()
    inner = 1 <= first <= len(click_s) - 3
    near = np.arange(first - 1, first + 3) if inner else np.arange(3) + min(first, len(click_s) - 3)
    weights = _lagrange(click_s[near], t_s)
    uv = weights @ click_px[near]
    if inner:
        other = _lagrange(click_s[near[:3]], t_s) @ click_px[near[:3]]
        apart = np.hypot(*(other - _lagrange(click_s[near[1:]], t_s) @ click_px[near[1:]]).T)
    else:
        ends = np.arange(first, first + 2)
        apart = np.hypot(*(uv - _lagrange(click_s[ends], t_s) @ click_px[ends]).T)
    missed = (options.of_parabolas if inner else options.of_bend) * apart
    own2 = (weights**2) @ (click_sigma_px[near] ** 2)
    return Filled(uv, np.sqrt(own2 + missed**2), apart)


def _lagrange(at: Array, t: Array) -> Array:
    """(N, K) weights of values at `at` (K,) in the polynomial through them, at times t (N,)."""
    w = np.ones((len(t), len(at)))
    for j, tj in enumerate(at):
        for m, tm in enumerate(at):
            if m != j:
                w[:, j] *= (t - tm) / (tj - tm)
    return w


def _followed(
    pictures: Sequence[Grey], guess_px: Array, order: Sequence[int], start_px: Array, options: FillOptions,
    scale: float,
) -> Array:  # fmt: skip
    """(N, 2) places along `order`, NaN from the first step on that fails."""
    out = np.full((len(pictures), 2), np.nan)
    p = out[order[0]] = np.asarray(start_px, dtype=float)
    side = round(options.window_px * scale) | 1
    for k, m in pairwise(order):
        moved = guess_px[m] - guess_px[k]
        q = _flow(pictures[k], pictures[m], p, p + moved, side)
        r = None if q is None else _flow(pictures[m], pictures[k], q, q - moved, side)
        if q is None or r is None or np.hypot(*(r - p)) > options.back_px * scale:
            break
        p = out[m] = q
    return out


def _flow(here: Grey, there: Grey, p: Array, guess: Array, side: int) -> Array | None:
    """Where the square about p in one picture is in another; None where it is not found, or left the
    picture."""
    a, b = (np.asarray(x, dtype=np.float32).reshape(1, 1, 2) for x in (p, guess))
    found, status, _ = cv2.calcOpticalFlowPyrLK(
        here, there, a, b.copy(), winSize=(side, side), maxLevel=1, criteria=_STOP,
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW, minEigThreshold=1e-6,
    )  # fmt: skip
    q = np.asarray(found, dtype=float).reshape(2)
    height, width = there.shape
    inside = 0 <= q[0] <= width - 1 and 0 <= q[1] <= height - 1
    return q if status[0] and inside else None
