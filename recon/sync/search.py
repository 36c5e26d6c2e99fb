"""How well two cameras' moving points agree under every shift of their clocks, compiled."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.checks import Array


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
    for k in range(len(shifts)):
        score, total = 0.0, 0.0
        for i in index:
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
                u = h00 * bn[j - 1, p, 0] + h10 * brate[j - 1, p, 0] + h01 * bn[j, p, 0] + h11 * brate[j, p, 0]
                v = h00 * bn[j - 1, p, 1] + h10 * brate[j - 1, p, 1] + h01 * bn[j, p, 1] + h11 * brate[j, p, 1]
                du = d0 * (bn[j - 1, p, 0] - bn[j, p, 0]) + d1 * brate[j - 1, p, 0] + d2 * brate[j, p, 0]
                dv = d0 * (bn[j - 1, p, 1] - bn[j, p, 1]) + d1 * brate[j - 1, p, 1] + d2 * brate[j, p, 1]
                sa, sb = asigma[i, p], max(bsigma[j - 1, p], bsigma[j, p])
                x, y = an[i, p, 0], an[i, p, 1]
                to_b0 = E[0, 0] * x + E[0, 1] * y + E[0, 2]
                to_b1 = E[1, 0] * x + E[1, 1] * y + E[1, 2]
                to_b2 = E[2, 0] * x + E[2, 1] * y + E[2, 2]
                to_a0 = E[0, 0] * u + E[1, 0] * v + E[2, 0]
                to_a1 = E[0, 1] * u + E[1, 1] * v + E[2, 1]
                norm = np.sqrt(to_b0**2 + to_b1**2 + to_a0**2 + to_a1**2)
                off = (u * to_b0 + v * to_b1 + to_b2) / norm / (1.5 * np.hypot(sa, sb))
                moves_a = min(np.hypot(arate[i, p, 0], arate[i, p, 1]) * 0.01 / sa, 3.0)
                weight = np.sqrt(moves_a * min(np.hypot(du, dv) * 0.01 / sb, 3.0))
                if np.isfinite(off) and np.isfinite(weight):
                    total += weight
                    if abs(off) < 8:  # beyond, nothing is left of it
                        score += weight * np.exp(-0.5 * off * off)
        out[k, 0], out[k, 1] = score, score / max(total, 1e-12)
