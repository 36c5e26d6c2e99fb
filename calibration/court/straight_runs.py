"""Which bright bars lie on one straight run: the consensus of the samples along a line."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array

_PAIRS = 24  # samples tried as supports, spread evenly: 276 pairs, so no random draw and no seed
_STEEPEST = 0.3  # a run turned by more than 17 degrees against the predicted line is not that line


def straight_run(
    middle_px: Array, normal: Array, offset_px: Array, strength: Array, tolerance_px: float
) -> Array:
    """(N,) offset of the bar on the best run in each strip, NaN where none lies on it.

    middle_px, normal (N, 2); offset_px, strength (N, K): candidates per strip. A run is a line in the picture,
    offset = a + b·(distance along); the predicted line already carries the lens's bend. The run with
    the largest summed strength within the tolerance wins (Fischler MA, Bolles RC (1981), Commun ACM 24:381-395,
    with all pairs of evenly spread supports instead of random ones).
    """
    n = len(middle_px)
    path = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(middle_px, axis=0), axis=1))])[:n]
    out = np.full(n, np.nan)
    some = np.flatnonzero(np.isfinite(offset_px).any(axis=1))
    if len(some) < 2:
        return out
    support = some[np.unique(np.linspace(0, len(some) - 1, _PAIRS).astype(int))]
    i, j = np.triu_indices(len(support), k=1)
    k = offset_px.shape[1]
    first, second = (
        np.repeat(offset_px[support[i]], k, axis=1).ravel(),
        np.tile(offset_px[support[j]], k).ravel(),
    )
    p, q = np.repeat(path[support[i]], k * k), np.repeat(path[support[j]], k * k)
    slope = (second - first) / np.maximum(q - p, 1e-9)
    flat = np.isfinite(slope) & (np.abs(slope) < _STEEPEST)
    first, slope, p = first[flat], slope[flat], p[flat]
    if not len(first):
        return out
    predicted = first[:, None] + slope[:, None] * (path - p[:, None])
    miss = np.abs(offset_px[None] - predicted[..., None])
    hit = np.where(np.isfinite(miss) & (miss < tolerance_px), strength[None], 0.0).max(axis=2)
    best = int(np.argmax(hit.sum(axis=1)))
    nearest = np.nanargmin(np.where(np.isfinite(miss[best]), miss[best], 1e9), axis=1)
    rows = np.arange(n)
    close = miss[best][rows, nearest] < tolerance_px
    out[close] = offset_px[rows, nearest][close]
    return out
