"""The inner loop of the joint fit, compiled: residuals, derivatives and normal equations of board corners.

One view shows one board in one camera. All its corners hang on one composite pose, cam_from_board = (R, t), so
their derivatives are first summed by a small motion (ω, τ) of that pose in the camera's frame,
    X → X + ω × X + τ,
and only the sums are carried over to the camera's and to the board's own parameters (`carry`), in which ω and τ
are linear. That saves half of the work against summing by twelve pose parameters corner by corner.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.bundle.carry import BOW, CLOCK, FAST, VIEW, XI, carry_lens, carry_poses, carry_shared
from calibration.checks import Array

PLAIN, ROBUST, GATED = 0, 1, 2
"""Weights: all corners fully; Cauchy's; all within the limit fully and others not at all."""

LANES = 8  # buffers are padded to a multiple of the widest vector register of doubles


@njit(cache=True, fastmath=FAST)
def rotation(w: Array) -> Array:
    """(3, 3) of a rotation vector (3,), by Rodrigues' formula."""
    angle2 = w[0] * w[0] + w[1] * w[1] + w[2] * w[2]
    angle = np.sqrt(angle2)
    if angle < 1e-6:
        a, b = 1 - angle2 / 6, 0.5 - angle2 / 24
    else:
        a, b = np.sin(angle) / angle, (1 - np.cos(angle)) / angle2
    out = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            out[i, j] = b * w[i] * w[j]
        out[i, i] += 1 - b * angle2
    out[0, 1] -= a * w[2]
    out[1, 0] += a * w[2]
    out[0, 2] += a * w[1]
    out[2, 0] -= a * w[1]
    out[1, 2] -= a * w[0]
    out[2, 1] += a * w[0]
    return out


@njit(cache=True, fastmath=FAST)
def nudge(R: Array, t: Array, steps: Array) -> None:
    """In place: R (n, 3, 3) → exp(step) R, t (n, 3) → t + step, for steps (n, 6)."""
    for k in range(len(R)):
        R[k] = rotation(steps[k, :3]) @ R[k]
        t[k] += steps[k, 3:]


@njit(cache=True, fastmath=FAST)
def _points_in_camera(
    board: Array, ids: NDArray[np.int64], first: int, n: int, bow: Array, R: Array, t: Array, work: Array
) -> bool:
    """Fills X, Y, Z, 1/Z, x, y (rows 0-5) and the two bow shapes (6, 7). False where one is not in front."""
    for i in range(n):
        k = ids[first + i]
        work[6, i], work[7, i] = board[2, k], board[3, k]
        work[0, i], work[1, i] = board[0, k], board[1, k]
    nearest = 1e9
    for i in range(n):
        a, b = work[0, i], work[1, i]
        c = bow[0] * work[6, i] + bow[1] * work[7, i]
        work[0, i] = R[0, 0] * a + R[0, 1] * b + R[0, 2] * c + t[0]
        work[1, i] = R[1, 0] * a + R[1, 1] * b + R[1, 2] * c + t[1]
        z = R[2, 0] * a + R[2, 1] * b + R[2, 2] * c + t[2]
        work[2, i] = z
        nearest = min(nearest, z)
        work[3, i] = 1 / z
        work[4, i] = work[0, i] / z
        work[5, i] = work[1, i] / z
    return nearest > 1e-6


@njit(inline="always")  # written into the loops over corners, which stay vector instructions
def _bend(
    i: int, x: float, y: float, r2: float, radial: float, by_r2: float, p1: float, p2: float, work: Array,
    terms: Array,
) -> None:  # fmt: skip
    """One corner's rows 8-12 and its derivatives by p1 and p2, from the radial part and its slope."""
    xy2 = 2 * x * y
    work[8, i] = x * radial + p1 * xy2 + p2 * (r2 + 2 * x * x)
    work[9, i] = y * radial + p1 * (r2 + 2 * y * y) + p2 * xy2
    work[10, i] = radial + 2 * x * x * by_r2 + 2 * p1 * y + 6 * p2 * x
    work[11, i] = xy2 * by_r2 + 2 * p1 * x + 2 * p2 * y
    work[12, i] = radial + 2 * y * y * by_r2 + 6 * p1 * y + 2 * p2 * x
    terms[0, 2, i], terms[1, 2, i] = xy2, r2 + 2 * y * y
    terms[0, 3, i], terms[1, 3, i] = r2 + 2 * x * x, xy2


@njit(cache=True, fastmath=FAST)
def _radial(lens: Array, n: int, work: Array, terms: Array) -> None:
    """Rows 8, 9: distorted x, y; 10-12: their derivatives xx, xy = yx, yy. terms: by k1 k2 p1 p2 k3."""
    k1, k2, p1, p2, k3 = lens[4], lens[5], lens[6], lens[7], lens[8]
    for i in range(n):
        x, y = work[4, i], work[5, i]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        by_r2 = k1 + r2 * (2 * k2 + 3 * k3 * r2)
        _bend(i, x, y, r2, radial, by_r2, p1, p2, work, terms)
        terms[0, 0, i], terms[1, 0, i] = x * r2, y * r2
        terms[0, 1, i], terms[1, 1, i] = x * r2 * r2, y * r2 * r2
        terms[0, 4, i], terms[1, 4, i] = x * r2 * r2 * r2, y * r2 * r2 * r2


@njit(cache=True, fastmath=FAST)
def _rational(lens: Array, n: int, work: Array, terms: Array) -> None:
    """As _radial, with the denominator's terms k4 k5 k6."""
    k1, k2, p1, p2, k3, k4, k5, k6 = lens[4], lens[5], lens[6], lens[7], lens[8], lens[9], lens[10], lens[11]
    for i in range(n):
        x, y = work[4, i], work[5, i]
        r2 = x * x + y * y
        down = 1 / (1 + r2 * (k4 + r2 * (k5 + r2 * k6)))
        radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) * down
        by_r2 = (k1 + r2 * (2 * k2 + 3 * k3 * r2) - radial * (k4 + r2 * (2 * k5 + 3 * k6 * r2))) * down
        _bend(i, x, y, r2, radial, by_r2, p1, p2, work, terms)
        power = r2 * down
        for slot in (0, 1, 4):
            terms[0, slot, i], terms[1, slot, i] = x * power, y * power
            terms[0, 5 + min(slot, 2), i] = -x * power * radial
            terms[1, 5 + min(slot, 2), i] = -y * power * radial
            power *= r2


@njit(cache=True, fastmath=FAST)
def _fisheye(lens: Array, n: int, work: Array, terms: Array) -> None:
    """As _radial, for the equidistant model's four terms."""
    for i in range(n):
        x, y = work[4, i], work[5, i]
        r = max(np.sqrt(x * x + y * y), 1e-9)
        theta = np.arctan(r)
        t2 = theta * theta
        bent = theta * (1 + t2 * (lens[4] + t2 * (lens[5] + t2 * (lens[6] + t2 * lens[7]))))
        by_theta = 1 + t2 * (3 * lens[4] + t2 * (5 * lens[5] + t2 * (7 * lens[6] + t2 * 9 * lens[7])))
        scale = bent / r
        change = (by_theta / (1 + r * r) - scale) / (r * r)
        work[8, i], work[9, i] = x * scale, y * scale
        work[10, i] = scale + x * x * change
        work[11, i] = x * y * change
        work[12, i] = scale + y * y * change
        power = theta * t2 / r
        for k in range(4):
            terms[0, k, i], terms[1, k, i] = x * power, y * power
            power *= t2


@njit(cache=True, fastmath=FAST)
def _rows(
    axis: int, lens: Array, n_terms: int, n: int, R: Array, work: Array, terms: Array, drift: Array,
    weight: float, bows: bool, clocked: bool, J: Array,
) -> int:  # fmt: skip
    """The derivatives of one image axis, lanes × corners: focal length, centre, terms, ω, τ, bow, clock."""
    f = lens[axis] * weight
    normal0, normal1, normal2 = R[0, 2], R[1, 2], R[2, 2]
    bx, by = 10 + axis, 11 + axis
    at = 2 + n_terms
    for i in range(n):
        J[0, i] = work[8 + axis, i] * weight
        J[1, i] = weight
    for k in range(n_terms):
        for i in range(n):
            J[2 + k, i] = terms[axis, k, i] * f
    for i in range(n):
        X, Y, Z = work[0, i], work[1, i], work[2, i]
        a0 = f * work[bx, i] * work[3, i]
        a1 = f * work[by, i] * work[3, i]
        a2 = -(a0 * work[4, i] + a1 * work[5, i])
        J[at, i] = Y * a2 - Z * a1
        J[at + 1, i] = Z * a0 - X * a2
        J[at + 2, i] = X * a1 - Y * a0
        J[at + 3, i] = a0
        J[at + 4, i] = a1
        J[at + 5, i] = a2
    at += 6
    if bows:
        for i in range(n):
            along = J[at - 3, i] * normal0 + J[at - 2, i] * normal1 + J[at - 1, i] * normal2
            J[at, i] = along * work[6, i]
            J[at + 1, i] = along * work[7, i]
        at += 2
    if clocked:
        for i in range(n):
            J[at, i] = -drift[i] * weight
        at += 1
    return at


@njit(cache=True, fastmath=FAST)
def _weigh(mode: int, limit2: float, n: int, residual: Array, J: Array, lanes: int, K: Array) -> float:
    """Applies each corner's weight to residuals and both axes' lanes; gives the cost."""
    cost = 0.0
    if mode == PLAIN:
        for i in range(n):
            cost += residual[0, i] * residual[0, i] + residual[1, i] * residual[1, i]
        return cost
    for i in range(n):
        z2 = residual[0, i] * residual[0, i] + residual[1, i] * residual[1, i]
        if mode == ROBUST:
            cost += limit2 * np.log1p(z2 / limit2)
            root = 1 / np.sqrt(1 + z2 / limit2)
        else:
            root = 1.0 if z2 < limit2 else 0.0
            cost += min(z2, limit2)  # a corner that is lost must not look like a gain
        residual[0, i] *= root
        residual[1, i] *= root
        residual[2, i] = root
    for a in range(lanes):
        for i in range(n):
            J[a, i] *= residual[2, i]
            K[a, i] *= residual[2, i]
    return cost


@njit(cache=True, fastmath=FAST)
def _gram(
    J: Array, lanes: int, width: int, residual: Array, slots: NDArray[np.int64], H: Array, g: Array
) -> None:
    """Adds J Jᵀ (lower triangle by slot) and J r to a view's sums. slots (lanes,) increase."""
    for a in range(lanes):
        ia = slots[a]
        b = 0
        while b + 4 <= a + 1:
            s0 = s1 = s2 = s3 = 0.0
            for i in range(width):
                v = J[a, i]
                s0 += v * J[b, i]
                s1 += v * J[b + 1, i]
                s2 += v * J[b + 2, i]
                s3 += v * J[b + 3, i]
            H[ia, slots[b]] += s0
            H[ia, slots[b + 1]] += s1
            H[ia, slots[b + 2]] += s2
            H[ia, slots[b + 3]] += s3
            b += 4
        while b <= a:
            s0 = 0.0
            for i in range(width):
                s0 += J[a, i] * J[b, i]
            H[ia, slots[b]] += s0
            b += 1
        s0 = 0.0
        for i in range(width):
            s0 += J[a, i] * residual[i]
        g[ia] += s0


@njit(cache=True, fastmath=FAST)
def _slots(axis: int, n_terms: int, bows: bool, clocked: bool, slots: NDArray[np.int64]) -> None:
    """Which of a view's unknowns each lane of _rows belongs to."""
    slots[0], slots[1] = axis, 2 + axis
    for k in range(n_terms):
        slots[2 + k] = 4 + k
    at = 2 + n_terms
    for k in range(6):
        slots[at + k] = XI + k
    at += 6
    if bows:
        slots[at], slots[at + 1] = BOW, BOW + 1
        at += 2
    if clocked:
        slots[at] = CLOCK


@njit(cache=True, fastmath=FAST)
def accumulate(
    board: Array, views: NDArray[np.int64], first: NDArray[np.int64], ids: NDArray[np.int64], uv: Array,
    drift: Array, inv_noise: Array, models: NDArray[np.int64], n_terms: NDArray[np.int64], lens: Array,
    Rc: Array, tc: Array, Rb: Array, tb: Array, bow: Array, clocks: Array, mode: int, limit2: float, bows: bool,
    residual_out: Array, Hgg: Array, gg: Array, Hgb: Array, Hbb: Array, gb: Array,
) -> float:  # fmt: skip
    """Fills the normal equations (lower triangle of Hgg) and gives the cost; infinity where a corner is behind.

    board (4, N): x, y and the two bow shapes of every corner. views (V, 3): camera, board, clock or -1.
    first (V + 1,): where each view's corners start in ids (K,), uv (2, K), drift (2, K; px/s). inv_noise (V,):
    1 / sigma of a view. models, n_terms (C,). residual_out (2, K): pixels, measured minus predicted.
    """
    Hgg[:], gg[:], Hgb[:], Hbb[:], gb[:] = 0.0, 0.0, 0.0, 0.0, 0.0
    most = 0
    for m in range(len(views)):
        most = max(most, first[m + 1] - first[m])
    width = (most + LANES - 1) // LANES * LANES
    work, terms = np.zeros((13, width)), np.zeros((2, 8, width))
    J, K, residual = np.zeros((VIEW, width)), np.zeros((VIEW, width)), np.zeros((3, width))
    H, g = np.empty((VIEW, VIEW)), np.empty(VIEW)
    slots_u, slots_v = np.zeros(VIEW, dtype=np.int64), np.zeros(VIEW, dtype=np.int64)
    out, rows, identity = np.empty(6), np.empty(6), np.eye(3)
    extra = 18 * len(lens)
    cost = 0.0
    for m in range(len(views)):
        c, b, clock = views[m, 0], views[m, 1], views[m, 2]
        n = first[m + 1] - first[m]
        here = lens[c]
        R = Rc[c] @ Rb[b]
        t = Rc[c] @ tb[b] + tc[c]
        if not _points_in_camera(board, ids, first[m], n, bow, R, t, work):
            return np.inf
        if models[c] == 0:
            _radial(here, n, work, terms)
        elif models[c] == 1:
            _rational(here, n, work, terms)
        else:
            _fisheye(here, n, work, terms)
        late = clocks[clock] if clock >= 0 else 0.0
        for axis in range(2):
            for i in range(n):
                k = first[m] + i
                miss = uv[axis, k] + drift[axis, k] * late - here[axis] * work[8 + axis, i] - here[2 + axis]
                residual_out[axis, k] = miss
                residual[axis, i] = miss * inv_noise[m]
        moving = drift[:, first[m] : first[m + 1]]
        lanes = _rows(0, here, n_terms[c], n, R, work, terms, moving[0], inv_noise[m], bows, clock >= 0, J)
        _rows(1, here, n_terms[c], n, R, work, terms, moving[1], inv_noise[m], bows, clock >= 0, K)
        for i in range(n, width):
            residual[:, i] = 0.0
            J[:, i] = 0.0
            K[:, i] = 0.0
        cost += _weigh(mode, limit2, n, residual, J, lanes, K)
        _slots(0, n_terms[c], bows, clock >= 0, slots_u)
        _slots(1, n_terms[c], bows, clock >= 0, slots_v)
        H[:], g[:] = 0.0, 0.0
        _gram(J, lanes, width, residual[0], slots_u, H, g)
        _gram(K, lanes, width, residual[1], slots_v, H, g)
        at, size = 18 * c, 4 + n_terms[c]
        carry_lens(H, g, at, size, Rc[c], tc[c], t, identity, rows, out, Hgg, gg, Hgb[b])
        carry_poses(H, g, at, Rc[c], tc[c], t, identity, out, Hgg, gg, Hgb[b], Hbb[b], gb[b])
        if bows or clock >= 0:
            carry_shared(H, g, at, size, extra, clock, Rc[c], tc[c], t, identity, out, Hgg, gg, Hgb[b])
    return cost
