"""Draws of a smoothed motion's error, compiled; the state is that of `kernel`.

Source: Durbin J, Koopman SJ (2002), A simple and efficient simulation smoother for state space time series
analysis, Biometrika 89:603-615 (from memory): states and noises are drawn from their priors and smoothed like
the data; what is left is a draw of the error.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.checks import Array
from recon.smoothing.kernel import FAST, advance, put, read, retreat, spread


@njit(cache=True, nogil=True, forceinline=True)
def _root(Q: Array, scale: float, L: Array) -> None:
    """Lower root of Q (3, 3), times scale."""
    L[0, 0] = np.sqrt(Q[0, 0])
    L[1, 0] = Q[1, 0] / L[0, 0]
    L[2, 0] = Q[2, 0] / L[0, 0]
    L[1, 1] = np.sqrt(max(Q[1, 1] - L[1, 0] ** 2, 0.0))
    L[2, 1] = (Q[2, 1] - L[2, 0] * L[1, 0]) / max(L[1, 1], 1e-300)
    L[2, 2] = np.sqrt(max(Q[2, 2] - L[2, 0] ** 2 - L[2, 1] ** 2, 0.0))
    L *= scale


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _disturb(e: Array, L: Array, phi: float, slow: int, bias: int, rng: np.random.Generator) -> None:
    """Adds the fresh noise of one stretch to the state."""
    for d in range(3):
        a, b, c = rng.standard_normal(), rng.standard_normal(), rng.standard_normal()
        e[d] += L[0, 0] * a
        e[3 + d] += L[1, 0] * a + L[1, 1] * b
        e[6 + d] += L[2, 0] * a + L[2, 1] * b + L[2, 2] * c
    fresh = np.sqrt(1 - phi * phi)
    for i in range(slow, bias):
        e[i] += fresh * rng.standard_normal()


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _filter_error(
    t: Array, camera: NDArray[np.int64], used: NDArray[np.bool_], H: Array, white: Array, roots: Array,
    slow_s: float, slow: int, bias: int, late: int, grid: NDArray[np.int64], K: Array, rng: np.random.Generator,
    e: Array, v: Array, kept: Array,
) -> None:  # fmt: skip
    """Carries the filter's error e (n,) through all events; keeps innovations, and e at wanted instants."""
    for k in range(len(t)):
        if k > 0 and t[k] > t[k - 1]:
            phi = np.exp((t[k - 1] - t[k]) / slow_s)
            advance(e, t[k] - t[k - 1], phi, slow, bias)
            _disturb(e, roots[k], phi, slow, bias, rng)
        if grid[k] >= 0:
            kept[grid[k]] = e[:3]
        if camera[k] < 0 or not used[k]:
            continue
        noise = np.sqrt(white[k])
        for r in range(2):
            v[k, r] = read(H[k], e, camera[k], slow, bias, late, r) + noise * rng.standard_normal()
        for i in range(len(e)):
            e[i] -= K[k, i, 0] * v[k, 0] + K[k, i, 1] * v[k, 1]


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _smooth_error(
    t: Array, camera: NDArray[np.int64], used: NDArray[np.bool_], H: Array, slow_s: float, slow: int, bias: int,
    grid: NDArray[np.int64], Pp: Array, K: Array, Si: Array, v: Array, lam: Array, kept: Array, out: Array,
) -> None:  # fmt: skip
    """out (G, 3): the smoother's error where the filter's was kept."""
    n = len(lam)
    lam[:] = 0.0
    for k in range(len(t) - 1, -1, -1):
        c = camera[k]
        if c >= 0 and used[k]:
            u0 = Si[k, 0, 0] * v[k, 0] + Si[k, 0, 1] * v[k, 1]
            u1 = Si[k, 1, 0] * v[k, 0] + Si[k, 1, 1] * v[k, 1]
            for i in range(n):
                u0 -= K[k, i, 0] * lam[i]
                u1 -= K[k, i, 1] * lam[i]
            for i in range(n):
                lam[i] += H[k, 0, i] * u0 + H[k, 1, i] * u1
        if grid[k] >= 0:
            for d in range(3):
                s = kept[grid[k], d]
                for j in range(n):
                    s -= Pp[grid[k], d, j] * lam[j]
                out[grid[k], d] = s
        if k > 0 and t[k] > t[k - 1]:
            retreat(lam, t[k] - t[k - 1], np.exp((t[k - 1] - t[k]) / slow_s), slow, bias)


@njit(cache=True, nogil=True)
def errors_drawn(
    t: Array, camera: NDArray[np.int64], used: NDArray[np.bool_], J: Array, white: Array, by_slow: Array,
    by_bias: Array, rate: Array, q: Array, slow_s: float, slow: int, bias: int, late: int, start: Array,
    grid: NDArray[np.int64], Pp: Array, K: Array, Si: Array, rng: np.random.Generator, out: Array,
) -> None:  # fmt: skip
    """Fills out (D, G, 3), draws of the smoothed position's error, jointly over time.

    start (n,): standard deviations before the first event. grid (E,): row of `out`, -1 where none; Pp
    (G, 3, n): the filter's covariances there, position rows. The rest as for `kernel.forwards`.
    """
    n, n_events = len(start), len(t)
    roots, Q, H = np.zeros((n_events, 3, 3)), np.empty((3, 3)), np.zeros((n_events, 2, n))
    for k in range(n_events):
        if k > 0 and t[k] > t[k - 1]:
            spread(t[k] - t[k - 1], Q)
            _root(Q, np.sqrt(q[k]), roots[k])
        if camera[k] >= 0:
            put(H[k], J[k], camera[k], by_slow[k], by_bias[k], rate[k], slow, bias, late)
    v, e, lam, kept = np.empty((n_events, 2)), np.empty(n), np.empty(n), np.empty((len(Pp), 3))
    for draw in range(len(out)):
        for i in range(n):
            e[i] = start[i] * rng.standard_normal()
        _filter_error(t, camera, used, H, white, roots, slow_s, slow, bias, late, grid, K, rng, e, v, kept)
        _smooth_error(t, camera, used, H, slow_s, slow, bias, grid, Pp, K, Si, v, lam, kept, out[draw])
