"""One point's motion as a Markov process, filtered forwards and corrected backwards, compiled.

State: position, velocity, acceleration (9; acceleration is a random walk, so the motion is a thrice integrated
white noise of intensity q); then, where they have a share in the noise, a slow error (2) and a lasting error
(2) of every camera's pixels, both scaled to variance 1; then, where asked for, how late every camera's clock
is. Sources: Kalman filter and, in Bryson and Frazier's form, the backward pass: Bierman GJ (1973), Fixed
interval smoothing with discrete measurements, Int J Control 18:65-75; errors of the noises and of one
observation given all others: de Jong P (1989), Smoothing and interpolation with the state-space model, JASA
84:1085-1088 (all from memory).

Conventions: n is the state's length; slow, bias and late say where those parts begin (a part that is not
there has no length: slow = 9, bias = slow, late = bias, n = late). An event is an observation, or an instant at
which the motion is wanted (camera -1).
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.checks import Array

KINEMATIC = 9
FAST = {"contract", "reassoc", "nsz", "arcp"}  # all but those that would forget about NaN
# forceinline: a helper left as a call is folded into its callers, or not, according to whether it was compiled
# just now or came from the cache; sums then round differently, and one input gives two answers


@njit(cache=True, nogil=True, forceinline=True)
def spread(dt: float, Q: Array) -> None:
    """Q (3, 3): covariance of position, velocity, acceleration of one axis after dt, per intensity q."""
    Q[0, 0] = dt**5 / 20
    Q[0, 1] = Q[1, 0] = dt**4 / 8
    Q[0, 2] = Q[2, 0] = dt**3 / 6
    Q[1, 1] = dt**3 / 3
    Q[1, 2] = Q[2, 1] = dt**2 / 2
    Q[2, 2] = dt


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def advance(x: Array, dt: float, phi: float, slow: int, bias: int) -> None:
    """The state (n,) after dt, in place."""
    for d in range(3):
        x[d] += dt * x[3 + d] + 0.5 * dt * dt * x[6 + d]
        x[3 + d] += dt * x[6 + d]
    for i in range(slow, bias):
        x[i] *= phi


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _scale_slow(P: Array, phi: float, slow: int, bias: int) -> None:
    """Rows and columns of the slow part times phi, in place."""
    n = len(P)
    for i in range(slow, bias):
        for j in range(n):
            P[i, j] *= phi
            P[j, i] *= phi


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _advance_covariance(P: Array, dt: float, phi: float, q: float, slow: int, bias: int, Q: Array) -> None:
    """P = F P Fᵀ + the noise of dt, in place."""
    n = len(P)
    half = 0.5 * dt * dt
    for d in range(3):
        for j in range(n):
            P[d, j] += dt * P[3 + d, j] + half * P[6 + d, j]
            P[3 + d, j] += dt * P[6 + d, j]
        for i in range(n):
            P[i, d] += dt * P[i, 3 + d] + half * P[i, 6 + d]
            P[i, 3 + d] += dt * P[i, 6 + d]
    _scale_slow(P, phi, slow, bias)
    spread(dt, Q)
    for d in range(3):
        for a in range(3):
            for b in range(3):
                P[3 * a + d, 3 * b + d] += q * Q[a, b]
    for i in range(slow, bias):
        P[i, i] += 1 - phi * phi


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def put(
    H: Array, J: Array, c: int, by_slow: float, by_bias: float, rate: Array, slow: int, bias: int, late: int
) -> None:
    """H (2, n): reads the position through J (2, 3) and camera c's errors, where the state has them.

    rate (2,): pixels per unit of the clock's error.
    """
    H[:] = 0.0
    for r in range(2):
        H[r, :3] = J[r]
        if bias > slow:
            H[r, slow + 2 * c + r] = by_slow
        if late > bias:
            H[r, bias + 2 * c + r] = by_bias
        if H.shape[1] > late:
            H[r, late + c] = rate[r]


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _seen_through(P: Array, H: Array, c: int, slow: int, bias: int, late: int, out: Array) -> None:
    """out (n, 2) = P Hᵀ, over the few columns that H fills."""
    for i in range(len(P)):
        for r in range(2):
            s = P[i, 0] * H[r, 0] + P[i, 1] * H[r, 1] + P[i, 2] * H[r, 2]
            if bias > slow:
                s += P[i, slow + 2 * c + r] * H[r, slow + 2 * c + r]
            if late > bias:
                s += P[i, bias + 2 * c + r] * H[r, bias + 2 * c + r]
            if len(P) > late:
                s += P[i, late + c] * H[r, late + c]
            out[i, r] = s


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def read(H: Array, x: Array, c: int, slow: int, bias: int, late: int, r: int) -> float:
    """Row r of H x, over the few columns that H fills."""
    s: float = x[0] * H[r, 0] + x[1] * H[r, 1] + x[2] * H[r, 2]
    if bias > slow:
        s += x[slow + 2 * c + r] * H[r, slow + 2 * c + r]
    if late > bias:
        s += x[bias + 2 * c + r] * H[r, bias + 2 * c + r]
    if len(x) > late:
        s += x[late + c] * H[r, late + c]
    return s


@njit(cache=True, nogil=True, forceinline=True)
def _inverse2(S: Array, out: Array) -> float:
    """out = S⁻¹ of a symmetric (2, 2); gives the determinant."""
    det: float = S[0, 0] * S[1, 1] - S[0, 1] * S[1, 0]
    out[0, 0], out[1, 1] = S[1, 1] / det, S[0, 0] / det
    out[0, 1] = out[1, 0] = -0.5 * (S[0, 1] + S[1, 0]) / det
    return det


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _update(x: Array, P: Array, H: Array, PH: Array, K: Array, Si: Array, v: Array) -> None:
    """State and covariance after an observation with innovation v; fills the gain K (n, 2)."""
    n = len(x)
    for i in range(n):
        K[i, 0] = PH[i, 0] * Si[0, 0] + PH[i, 1] * Si[1, 0]
        K[i, 1] = PH[i, 0] * Si[0, 1] + PH[i, 1] * Si[1, 1]
        x[i] += K[i, 0] * v[0] + K[i, 1] * v[1]
    for i in range(n):
        for j in range(i + 1):
            P[i, j] -= K[i, 0] * PH[j, 0] + K[i, 1] * PH[j, 1]
            P[j, i] = P[i, j]


@njit(cache=True, nogil=True, fastmath=FAST)
def forwards(
    t: Array, camera: NDArray[np.int64], used: NDArray[np.bool_], z: Array, J: Array, white: Array,
    by_slow: Array, by_bias: Array, rate: Array, q: Array, slow_s: float, slow: int, bias: int, late: int,
    x: Array, P: Array, xp: Array, Pp: Array, K: Array, Si: Array, v: Array,
) -> float:  # fmt: skip
    """Filter; gives the log-likelihood of what is used.

    Per event (E,): time, camera, whether it counts; z (E, 2) = J position + errors; white: variance; by_slow,
    by_bias: size of those errors, px; rate (E, 2): px per second of its clock's error; q: intensity since the
    event before. x (n,), P (n, n): the state before the first event, then after the last. Fills the state and
    covariance before each event xp (E, n), Pp (E, n, n), gains K (E, n, 2), inverse innovation covariances Si
    (E, 2, 2) and innovations v (E, 2).
    """
    n = len(x)
    Q, S, PH, H = np.empty((3, 3)), np.empty((2, 2)), np.empty((n, 2)), np.empty((2, n))
    log_likelihood = 0.0
    for k in range(len(t)):
        if k > 0 and t[k] > t[k - 1]:
            phi = np.exp((t[k - 1] - t[k]) / slow_s)
            advance(x, t[k] - t[k - 1], phi, slow, bias)
            _advance_covariance(P, t[k] - t[k - 1], phi, q[k], slow, bias, Q)
        xp[k], Pp[k] = x, P
        c = camera[k]
        if c < 0 or not used[k]:
            continue
        put(H, J[k], c, by_slow[k], by_bias[k], rate[k], slow, bias, late)
        _seen_through(P, H, c, slow, bias, late, PH)
        for r in range(2):
            v[k, r] = z[k, r] - read(H, x, c, slow, bias, late, r)
            for o in range(2):
                S[r, o] = read(H, PH[:, o], c, slow, bias, late, r)
            S[r, r] += white[k]
        det = _inverse2(S, Si[k])
        _update(x, P, H, PH, K[k], Si[k], v[k])
        fit = Si[k, 0, 0] * v[k, 0] ** 2 + 2 * Si[k, 0, 1] * v[k, 0] * v[k, 1] + Si[k, 1, 1] * v[k, 1] ** 2
        log_likelihood -= 0.5 * (np.log(det) + fit)
    return log_likelihood


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _take_back(
    lam: Array, Lam: Array, H: Array, K: Array, Si: Array, v: Array, LK: Array, D: Array, apart: Array,
    sure: Array,
) -> None:  # fmt: skip
    """Carries lam (n,) and Lam (n, n) back over an observation that counts; and what all others say of it."""
    n = len(lam)
    for i in range(n):
        for r in range(2):
            s = 0.0
            for j in range(n):
                s += Lam[i, j] * K[j, r]
            LK[i, r] = s
    u0 = Si[0, 0] * v[0] + Si[0, 1] * v[1]
    u1 = Si[1, 0] * v[0] + Si[1, 1] * v[1]
    D[:] = Si
    for i in range(n):
        u0 -= K[i, 0] * lam[i]
        u1 -= K[i, 1] * lam[i]
        for r in range(2):
            for o in range(2):
                D[r, o] += K[i, r] * LK[i, o]
    _inverse2(D, sure)
    apart[0] = sure[0, 0] * u0 + sure[0, 1] * u1
    apart[1] = sure[1, 0] * u0 + sure[1, 1] * u1
    for i in range(n):
        lam[i] += H[0, i] * u0 + H[1, i] * u1
        for j in range(i + 1):
            s = -H[0, i] * LK[j, 0] - H[1, i] * LK[j, 1] - LK[i, 0] * H[0, j] - LK[i, 1] * H[1, j]
            s += H[0, i] * (D[0, 0] * H[0, j] + D[0, 1] * H[1, j])
            s += H[1, i] * (D[1, 0] * H[0, j] + D[1, 1] * H[1, j])
            Lam[i, j] += s
            Lam[j, i] = Lam[i, j]


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _left_out(
    lam: Array, Lam: Array, H: Array, PH: Array, z: Array, x: Array, white: float, apart: Array, sure: Array
) -> None:
    """What all others say of an observation that does not count."""
    n = len(lam)
    for r in range(2):
        apart[r] = z[r]
        for i in range(n):
            apart[r] -= H[r, i] * x[i] + PH[i, r] * lam[i]
        for o in range(2):
            s = white if r == o else 0.0
            for i in range(n):
                w = H[r, i]
                for j in range(n):
                    w -= PH[j, r] * Lam[j, i]
                s += w * PH[i, o]
            sure[r, o] = s


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _smoothed_covariance(P: Array, Lam: Array, half: Array, out: Array) -> None:
    """out (6, 6) = P - P Lam P, position and velocity alone."""
    n = len(P)
    for i in range(6):
        for j in range(n):
            s = 0.0
            for m in range(n):
                s += P[i, m] * Lam[m, j]
            half[i, j] = s
    for i in range(6):
        for j in range(i + 1):
            s = P[i, j]
            for m in range(n):
                s -= half[i, m] * P[m, j]
            out[i, j] = out[j, i] = s


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _stirred(lam: Array, Lam: Array, q: float, Q: Array, out: Array) -> None:
    """out (2,): how much a stretch with noise covariance q Q was stirred, as all observations tell it, and how
    much one expects of that; equal on average where q is right."""
    found = expected = 0.0
    for a in range(3):
        for b in range(3):
            for d in range(3):
                found += Q[a, b] * lam[3 * a + d] * lam[3 * b + d]
                expected += Q[a, b] * Lam[3 * a + d, 3 * b + d]
    out[0], out[1] = q * found, q * expected


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def retreat(lam: Array, dt: float, phi: float, slow: int, bias: int) -> None:
    """lam = Fᵀ lam, in place."""
    for d in range(3):
        lam[6 + d] += 0.5 * dt * dt * lam[d] + dt * lam[3 + d]
        lam[3 + d] += dt * lam[d]
    for i in range(slow, bias):
        lam[i] *= phi


@njit(cache=True, nogil=True, fastmath=FAST, forceinline=True)
def _retreat_matrix(Lam: Array, dt: float, phi: float, slow: int, bias: int) -> None:
    """Lam = Fᵀ Lam F, in place."""
    n = len(Lam)
    half = 0.5 * dt * dt
    for d in range(3):
        for j in range(n):
            Lam[6 + d, j] += half * Lam[d, j] + dt * Lam[3 + d, j]
            Lam[3 + d, j] += dt * Lam[d, j]
        for i in range(n):
            Lam[i, 6 + d] += half * Lam[i, d] + dt * Lam[i, 3 + d]
            Lam[i, 3 + d] += dt * Lam[i, d]
    _scale_slow(Lam, phi, slow, bias)


@njit(cache=True, nogil=True, fastmath=FAST)
def backwards(
    t: Array, camera: NDArray[np.int64], used: NDArray[np.bool_], z: Array, J: Array, white: Array,
    by_slow: Array, by_bias: Array, rate: Array, q: Array, slow_s: float, slow: int, bias: int, late: int,
    xp: Array, Pp: Array, K: Array, Si: Array, v: Array, means: Array, covariances: Array, apart: Array,
    sure: Array, stirred: Array,
) -> None:  # fmt: skip
    """Smoother, after `forwards`.

    Fills means (E, 9) and, where `covariances` has as many rows, (E, 6, 6) of position and velocity at the
    wanted instants; of each observation how far it lies from what all others say, apart (E, 2), and how sure
    that is, sure (E, 2, 2), the observation's own white noise included; and stirred (E, 2): how much the
    stretch before each event was, and how much one expects of its intensity.
    """
    n = xp.shape[1]
    want = len(covariances) == len(t)
    lam, Lam = np.zeros(n), np.zeros((n, n))
    Q, D, half = np.empty((3, 3)), np.empty((2, 2)), np.empty((6, n))
    H, LK, PH = np.empty((2, n)), np.empty((n, 2)), np.empty((n, 2))
    for k in range(len(t) - 1, -1, -1):
        c = camera[k]
        if c >= 0:
            put(H, J[k], c, by_slow[k], by_bias[k], rate[k], slow, bias, late)
            if used[k]:
                _take_back(lam, Lam, H, K[k], Si[k], v[k], LK, D, apart[k], sure[k])
            else:
                _seen_through(Pp[k], H, c, slow, bias, late, PH)
                _left_out(lam, Lam, H, PH, z[k], xp[k], white[k], apart[k], sure[k])
        for i in range(KINEMATIC):
            means[k, i] = xp[k, i]
            for j in range(n):
                means[k, i] += Pp[k, i, j] * lam[j]
        if want and c < 0:
            _smoothed_covariance(Pp[k], Lam, half, covariances[k])
        stirred[k] = 0.0
        if k > 0 and t[k] > t[k - 1]:
            dt = t[k] - t[k - 1]
            spread(dt, Q)
            _stirred(lam, Lam, q[k], Q, stirred[k])
            phi = np.exp(-dt / slow_s)
            retreat(lam, dt, phi, slow, bias)
            _retreat_matrix(Lam, dt, phi, slow, bias)
