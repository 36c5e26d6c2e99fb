"""The board's corners as smooth functions of one camera's time: position, image velocity and their noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array, checked
from calibration.views import BoardView

_HALF_WIDTHS = (3.0, 4.0, 6.0, 8.0, 12.0)
"""Half widths tried for the local fit, in frames. A walker's bounce (2 Hz and its harmonics) bends a track over
about 0.1 s: 3 frames at 30 Hz, 12 at 120 Hz."""
_TERMS = 4  # a cubic: the lowest order that follows a change of acceleration
_LONGEST_GAP = 2.5  # frames; the same gap breaks a hold
_LEAST_VIEWS = 8  # below it there are too few residuals to tell the noise
_OUT_OF_LINE = 5.0  # a view that is so many times its noise off its neighbours' curve is not believed
_ROUNDS = 3  # of leaving such views out


@dataclass(frozen=True, slots=True, eq=False)
class TrackSample:
    """A track at some instants; NaN where the board was not seen shortly before and after.

    uv_px (T, N, 2)          corners
    velocity_px_s (T, N, 2)  how fast they move in the picture
    spread (T, N)            standard deviation of uv_px over that of one corner in one frame
    misfit (T,)              residual of the frames next to it over what their noise makes: about 1 where the
                             curve follows the board, more where the board jerked
    """

    t_s: Array
    uv_px: Array
    velocity_px_s: Array
    spread: Array
    misfit: Array

    def seen(self) -> NDArray[np.bool_]:
        """(T,) where the whole board is known."""
        return np.asarray(np.isfinite(self.spread).all(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class BoardTrack:
    """All views of a board by one camera, and how they are joined in time.

    t_s (V,)            times on the camera's clock, as the footage stamps them
    corners_px (V, N, 2)  NaN where unseen, or where a view was not believed
    step_s              usual time between views
    half_width_s        the local fit reaches over ± this long
    sigma_px            noise of one coordinate of a corner in one frame, from the residuals
    misfit (V,)         see TrackSample
    left_out            number of views that contradicted their neighbours (repeated pictures, slipped corners)
    """

    t_s: Array
    corners_px: Array
    step_s: float
    half_width_s: float
    sigma_px: float
    misfit: Array
    left_out: int

    def __post_init__(self) -> None:
        views = len(self.t_s)
        object.__setattr__(self, "t_s", checked(self.t_s, (None,), "track: t_s"))
        corners = checked(self.corners_px, (views, None, 2), "track: corners_px", allow_nan=True)
        object.__setattr__(self, "corners_px", corners)
        object.__setattr__(self, "misfit", checked(self.misfit, (views,), "track: misfit", allow_nan=True))

    def at(self, t_s: Array) -> TrackSample:
        """The corners at any times (T,) of the camera's clock, from a cubic fitted around each.

        Source: Cleveland WS (1979), J Am Stat Assoc 74:829-836 (locally weighted regression).
        """
        fit = _local_fit(self.t_s, self.corners_px, np.asarray(t_s, dtype=float), self.half_width_s)
        shut = _in_gap(self.t_s, self.corners_px, fit.t_s, self.step_s)
        after = np.clip(np.searchsorted(self.t_s, fit.t_s), 1, len(self.t_s) - 1)
        misfit = np.fmax(self.misfit[after - 1], self.misfit[after])
        return TrackSample(
            fit.t_s,
            np.where(shut[..., None], np.nan, fit.value),
            np.where(shut[..., None], np.nan, fit.slope),
            np.where(shut, np.nan, fit.spread),
            misfit,
        )


def track_of(views: Sequence[BoardView], board: Board) -> BoardTrack | None:
    """One camera's views joined in time; None where they are too few or too far apart to say anything.

    The width of the local fit is the one with the smallest estimated error of the fitted corners (Mallows CL
    (1973), Technometrics 15:661-675). Views that contradict their neighbours are left out.
    """
    if len(views) < _LEAST_VIEWS:
        return None
    t_s = np.array([v.t_s for v in views])
    corners = _steadily_ordered(np.array([v.corners_px for v in views]), board)
    step_s = float(np.median(np.diff(t_s)))
    left_out = 0
    for _ in range(_ROUNDS):
        chosen = _best_width(t_s, corners, step_s)
        if chosen is None:
            return None
        half_width_s, sigma_px = chosen
        misfit, apart = _misfits(t_s, corners, half_width_s, sigma_px)
        wrong = _worst_in_reach(apart, half_width_s, step_s)
        if not wrong.any():
            break
        left_out += int(wrong.sum())
        corners = np.where(wrong[:, None, None], np.nan, corners)
    return BoardTrack(t_s, corners, step_s, half_width_s, sigma_px, misfit, left_out)


def _steadily_ordered(corners: Array, board: Board) -> Array:
    """A board that looks alike upside down keeps its corners' order from view to view."""
    if not board.looks_alike_upside_down:
        return corners
    out = corners.copy()
    for i in range(1, len(out)):
        straight, turned = (np.abs(c - out[i - 1]).sum() for c in (out[i], out[i, ::-1]))
        if turned < straight:
            out[i] = out[i, ::-1].copy()
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """value, slope (T, N, 2); spread (T, N); own (T, N) weight of a view that stands at the instant itself."""

    t_s: Array
    value: Array
    slope: Array
    spread: Array
    own: Array


def _local_fit(t_s: Array, corners: Array, at_s: Array, half_width_s: float) -> _Fit:
    """Cubics weighted around each instant; NaN where fewer than four views lie within reach."""
    first = np.searchsorted(t_s, at_s - half_width_s)
    count = int((np.searchsorted(t_s, at_s + half_width_s) - first).max(initial=1))
    index = first[:, None] + np.arange(max(count, 1))
    there = index < len(t_s)
    index = np.minimum(index, len(t_s) - 1)
    u = (t_s[index] - at_s[:, None]) / half_width_s
    tricube = np.where(there, np.clip(1 - np.abs(u) ** 3, 0.0, None) ** 3, 0.0)
    powers = u[..., None] ** np.arange(_TERMS)
    window = corners[index]
    known = ~np.isnan(window[..., 0])
    weight = tricube[..., None] * known
    normal = np.einsum("tkn,tki,tkj->tnij", weight, powers, powers, optimize=True)
    enough = ((weight > 1e-4).sum(axis=1) >= _TERMS) & (np.linalg.det(normal) > 1e-12)
    inverse = np.linalg.inv(np.where(enough[..., None, None], normal, np.eye(_TERMS)))
    by_view = np.einsum("tni,tki,tkn->tkn", inverse[..., 0, :], powers, weight, optimize=True)
    slope_by_view = np.einsum("tni,tki,tkn->tkn", inverse[..., 1, :], powers, weight, optimize=True)
    filled = np.where(known[..., None], window, 0.0)
    value = np.einsum("tkn,tknc->tnc", by_view, filled)
    slope = np.einsum("tkn,tknc->tnc", slope_by_view, filled) / half_width_s
    own = (by_view * (np.abs(u) < 1e-9)[..., None]).sum(axis=1)
    bad = ~enough
    return _Fit(
        at_s,
        np.where(bad[..., None], np.nan, value),
        np.where(bad[..., None], np.nan, slope),
        np.where(bad, np.nan, np.sqrt((by_view**2).sum(axis=1))),
        np.where(bad, np.nan, own),
    )


def _in_gap(t_s: Array, corners: Array, at_s: Array, step_s: float) -> NDArray[np.bool_]:
    """(T, N) where the nearest views of a corner before and after lie too far apart, or on one side only."""
    known = ~np.isnan(corners[..., 0])
    order = np.arange(len(t_s))[:, None]
    before = np.maximum.accumulate(np.where(known, order, -1), axis=0)
    after = np.minimum.accumulate(np.where(known, order, len(t_s))[::-1], axis=0)[::-1]
    slack = 0.02 * step_s  # stamps are rounded
    last = np.searchsorted(t_s, at_s + slack, side="right") - 1
    following = np.searchsorted(t_s, at_s - slack)
    low = np.where((last >= 0)[:, None], before[np.maximum(last, 0)], -1)
    high = np.where((following < len(t_s))[:, None], after[np.minimum(following, len(t_s) - 1)], len(t_s))
    outside = (low < 0) | (high >= len(t_s))
    width = t_s[np.minimum(high, len(t_s) - 1)] - t_s[np.maximum(low, 0)]
    return np.asarray(outside | (width > _LONGEST_GAP * step_s))


def _best_width(t_s: Array, corners: Array, step_s: float) -> tuple[float, float] | None:
    """(half width in seconds, noise in px): the noise from the narrowest fit, the width by Mallows' rule."""
    sigma2, best = np.nan, (np.inf, 0.0)
    for width in _HALF_WIDTHS:
        fit = _local_fit(t_s, corners, t_s, width * step_s)
        shut = _in_gap(t_s, corners, t_s, step_s)
        square = np.where(shut[..., None], np.nan, (corners - fit.value) ** 2).mean(axis=(1, 2))
        noise = (1 - 2 * fit.own + fit.spread**2).mean(axis=1)
        ok = np.isfinite(square) & (noise > 0.02)  # a cubic through four views says nothing of the noise
        if ok.sum() < _LEAST_VIEWS:
            continue
        if np.isnan(sigma2):
            sigma2 = max(float(np.median(square[ok] / noise[ok])), 1e-8)
        # a slipped view must not decide the width
        capped = np.minimum(square[ok], _OUT_OF_LINE**2 * sigma2)
        error = float((capped - sigma2 * (1 - 2 * fit.own[ok].mean(axis=1))).mean())
        best = min(best, (error, width * step_s))
    return None if np.isnan(sigma2) else (best[1], float(np.sqrt(sigma2)))


def _misfits(t_s: Array, corners: Array, half_width_s: float, sigma_px: float) -> tuple[Array, Array]:
    """Per view: residual of the fit, and distance from the curve of the other views, each over its noise."""
    fit = _local_fit(t_s, corners, t_s, half_width_s)
    rms = np.sqrt(((corners - fit.value) ** 2).mean(axis=(1, 2)))
    noise = np.sqrt(np.clip(1 - 2 * fit.own + fit.spread**2, 0.0025, None).mean(axis=1)) * sigma_px
    others = np.clip(1 - fit.own, 0.05, None).mean(axis=1)
    # leaving view i out multiplies its residual by 1 / (1 - own), and its noise by no more than that
    apart = rms / others / (sigma_px * np.maximum(1.0, noise / sigma_px / others))
    return rms / noise, apart


def _worst_in_reach(apart: Array, half_width_s: float, step_s: float) -> NDArray[np.bool_]:
    """Views too far off the others' curve, only the worst among those that pull at one another."""
    reach = max(1, int(half_width_s / step_s))
    filled = np.nan_to_num(apart, nan=0.0)
    padded = np.pad(filled, reach)
    most = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    return np.asarray((filled > _OUT_OF_LINE) & (filled >= most))
