"""How well two cameras' moving points agree under every shift of their clocks, compiled."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.checks import Array


@njit(cache=True, nogil=True, error_model="numpy")
def _before_any_shift(
    E: Array, an: Array, arate: Array, asigma: Array, index: NDArray[np.int64]
) -> tuple[Array, Array]:
    """The first camera's points as lines (F, P, 3) in the second's picture, and how far they move (F, P)."""
    points = an.shape[1]
    line, moves = np.empty((len(index), points, 3)), np.empty((len(index), points))
    for m, i in enumerate(index):
        for p in range(points):
            x, y = an[i, p, 0], an[i, p, 1]
            for row in range(3):
                line[m, p, row] = E[row, 0] * x + E[row, 1] * y + E[row, 2]
            moves[m, p] = min(np.hypot(arate[i, p, 0], arate[i, p, 1]) * 0.01 / asigma[i, p], 3.0)
    return line, moves


@njit(cache=True, nogil=True, error_model="numpy")
def agreements(
    E: Array, at: Array, an: Array, arate: Array, asigma: Array, bt: Array, bn: Array, brate: Array,
    bsigma: Array, index: NDArray[np.int64], shifts: Array, out: Array,
) -> None:  # fmt: skip
    """Fills out (S, 2): matched-filter score of every shift, and the share of the moving weight that agrees.

    E (3, 3) essential matrix; per camera times (T,), normalised points and rates (T, P, 2), sigma (T, P), NaN
    where unseen; index: frames of a that are compared. A point counts by how far it moves in 10 ms against its
    uncertainty, in both views, capped at 3. The second camera's points are interpolated by Hermite cubics.
    """
    last, points = len(bt) - 1, an.shape[1]
    line, moves = _before_any_shift(E, an, arate, asigma, index)
    for k in range(len(shifts)):
        score, total = 0.0, 0.0
        for m, i in enumerate(index):
            t = at[i] - shifts[k]
            j = min(max(np.searchsorted(bt, t), 1), last)
            w = bt[j] - bt[j - 1]
            s = (t - bt[j - 1]) / w
            if s < -0.01 or s > 1.01:
                continue
            h00, h10 = (1 + 2 * s) * (1 - s) ** 2, s * (1 - s) ** 2 * w
            h01, h11 = s**2 * (3 - 2 * s), s**2 * (s - 1) * w
            d0, d1, d2 = 6 * s * (s - 1) / w, (1 - s) * (1 - 3 * s), s * (3 * s - 2)
            for p in range(points):
                if not np.isfinite(moves[m, p]):
                    continue
                u = h00 * bn[j - 1, p, 0] + h10 * brate[j - 1, p, 0] + h01 * bn[j, p, 0] + h11 * brate[j, p, 0]
                v = h00 * bn[j - 1, p, 1] + h10 * brate[j - 1, p, 1] + h01 * bn[j, p, 1] + h11 * brate[j, p, 1]
                du = d0 * (bn[j - 1, p, 0] - bn[j, p, 0]) + d1 * brate[j - 1, p, 0] + d2 * brate[j, p, 0]
                dv = d0 * (bn[j - 1, p, 1] - bn[j, p, 1]) + d1 * brate[j - 1, p, 1] + d2 * brate[j, p, 1]
                sa, sb = asigma[i, p], max(bsigma[j - 1, p], bsigma[j, p])
                l0, l1, l2 = line[m, p, 0], line[m, p, 1], line[m, p, 2]
                a0 = E[0, 0] * u + E[1, 0] * v + E[2, 0]
                a1 = E[0, 1] * u + E[1, 1] * v + E[2, 1]
                norm2 = l0 * l0 + l1 * l1 + a0 * a0 + a1 * a1
                off2 = (u * l0 + v * l1 + l2) ** 2 / (norm2 * 2.25 * (sa * sa + sb * sb))
                weight = np.sqrt(moves[m, p] * min(np.sqrt(du * du + dv * dv) * 0.01 / sb, 3.0))
                if np.isfinite(off2) and np.isfinite(weight):
                    total += weight
                    if off2 < 64:  # beyond, nothing is left of it
                        score += weight * np.exp(-0.5 * off2)
        out[k, 0], out[k, 1] = score, score / max(total, 1e-12)
