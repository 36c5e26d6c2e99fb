"""Values over time between their samples: at an instant, over a stretch, largest, as rates; runs of flags.

Sampled values are read between samples by the cubic through the four nearest ones, and by a straight line
where one of the four is absent: at 120 samples a second a racket tip near contact would be half a decimetre
off at the nearest sample, and 17 mm off on a straight line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array

WAY_STEP_S = 0.1
"""Steps along which ways on the ground are measured: through shorter ones, noise would add up to a way."""


def true_runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """[start, stop) of every run of consecutive True in flags (N,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))).reshape(-1, 2)
    return [(int(a), int(b)) for a, b in edges]


def value_at(t_s: Array, values: Array, at_s: float) -> Array:
    """Values () or (N,) of samples (T,) or (T, N), evenly spaced, at an instant; NaN outside or absent."""
    step = float(t_s[1] - t_s[0])
    place = (at_s - float(t_s[0])) / step
    k = round(place)
    if 0 <= k < len(t_s) and abs(place - k) < 1e-6:
        return np.asarray(values[k])
    if not 0 < place < len(t_s) - 1:
        return np.full(values.shape[1:], np.nan)
    i = int(place)
    s = place - i
    if i >= 1 and i + 2 < len(t_s):
        weights = np.array(
            [-s * (s - 1) * (s - 2) / 6, (s + 1) * (s - 1) * (s - 2) / 2, -(s + 1) * s * (s - 2) / 2,
             (s + 1) * s * (s - 1) / 6]
        )  # fmt: skip
        smooth = weights @ values[i - 1 : i + 3]
        if not np.isnan(smooth).any():
            return np.asarray(smooth)
    return np.asarray((1 - s) * values[i] + s * values[i + 1])


def stretch(t_s: Array, values: Array, start_s: float, stop_s: float) -> tuple[Array, Array]:
    """Times (N,) and values (N, ...) of a stretch, both ends among them; empty where it ends too early."""
    if not stop_s > start_s:
        return np.empty(0), np.empty((0, *values.shape[1:]))
    inside = (t_s > start_s + 1e-9) & (t_s < stop_s - 1e-9)
    times = np.concatenate([[start_s], t_s[inside], [stop_s]])
    ends = [value_at(t_s, values, at)[None] for at in (start_s, stop_s)]
    return times, np.concatenate([ends[0], values[inside], ends[1]])


def largest(times: Array, values: Array) -> tuple[float, float]:
    """Time and value of the largest of values (N,), leaving out NaN; by a parabola where it lies inside.

    NaN, NaN where there is none.
    """
    if not len(values) or np.isnan(values).all():
        return float("nan"), float("nan")
    k = int(np.nanargmax(values))
    if 0 < k < len(values) - 1:
        before, here, after = values[k - 1 : k + 2]
        a, b = times[k] - times[k - 1], times[k + 1] - times[k]
        if not np.isnan(before + after) and abs(a - b) < 1e-6:
            bend = before - 2 * here + after
            if bend < 0:
                shift = (before - after) / (2 * bend)
                return float(times[k] + shift * a), float(here - bend * shift**2 / 2)
    return float(times[k]), float(values[k])


def rate(t_s: Array, values: Array) -> Array:
    """(T, ...) time derivative of samples (T, ...), central differences."""
    return np.asarray(np.gradient(values, t_s, axis=0))


def unwrapped(angle_rad: Array) -> Array:
    """(T,) the angle without jumps of whole turns, NaN left as they are."""
    out = np.array(angle_rad)
    known = ~np.isnan(out)
    out[known] = np.unwrap(out[known])
    return out


def path_length(times: Array, points: Array, every_s: float = WAY_STEP_S) -> float:
    """Length of the way along points (N, 2 or 3), through places every_s apart; NaN where one is absent."""
    if len(times) < 2:
        return 0.0
    count = max(round((times[-1] - times[0]) / every_s), 1)
    marks = np.linspace(times[0], times[-1], count + 1)
    known = np.asarray(~np.isnan(points).any(axis=1))
    if np.count_nonzero(known) < 2 or not (known[0] and known[-1]):
        return float("nan")
    places = np.stack([np.interp(marks, times[known], column) for column in points[known].T], axis=1)
    return float(np.linalg.norm(np.diff(places, axis=0), axis=1).sum())
