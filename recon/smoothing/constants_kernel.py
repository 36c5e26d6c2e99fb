"""What one point's pixels tell of constants that shift them, the motion left free; the state is as in `kernel`.

The filter is linear, so what it would have made of pixels shifted by a unit of a constant is found by filtering
that shift alone, with the gains at hand. Source: Rosenberg B (1973), Random coefficients models, Ann Econ Soc
Meas 2:399-428; de Jong P (1991), The diffuse Kalman filter, Ann Stat 19:1073-1083 (both from memory).
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.checks import Array
from recon.smoothing.kernel import FAST, advance, put, read


@njit(cache=True, nogil=True, fastmath=FAST)
def information(
    t: Array, camera: NDArray[np.int64], used: NDArray[np.bool_], J: Array, by_slow: Array, by_bias: Array,
    slow_s: float, slow: int, bias: int, n: int, K: Array, Si: Array, v: Array, shift: Array, N: Array,
    g: Array,
) -> None:  # fmt: skip
    """Adds information N (m, m), and g (m,), N times the best values, nothing else being known of them.

    K, Si, v: of `forwards` without clocks in the state (n = late). shift (E, 2, m): pixels per unit of each
    constant.
    """
    m = shift.shape[2]
    X = np.zeros((m, n))  # one state per constant
    H, V, none = np.empty((2, n)), np.empty((2, m)), np.zeros(2)
    for k in range(len(t)):
        if k > 0 and t[k] > t[k - 1]:
            phi = np.exp((t[k - 1] - t[k]) / slow_s)
            for a in range(m):
                advance(X[a], t[k] - t[k - 1], phi, slow, bias)
        c = camera[k]
        if c < 0 or not used[k]:
            continue
        put(H, J[k], c, by_slow[k], by_bias[k], none, slow, bias, n)
        for a in range(m):
            for r in range(2):
                V[r, a] = shift[k, r, a] - read(H, X[a], c, slow, bias, n, r)
            for i in range(n):
                X[a, i] += K[k, i, 0] * V[0, a] + K[k, i, 1] * V[1, a]
        for a in range(m):
            w0 = Si[k, 0, 0] * V[0, a] + Si[k, 0, 1] * V[1, a]
            w1 = Si[k, 1, 0] * V[0, a] + Si[k, 1, 1] * V[1, a]
            g[a] += w0 * v[k, 0] + w1 * v[k, 1]
            for b in range(m):
                N[a, b] += w0 * V[0, b] + w1 * V[1, b]
