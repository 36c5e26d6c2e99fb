"""One point at a time, when views are missing, contradict each other or meet badly: exhaustive over pairs."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.checks import Array
from recon.records import PointStatus

_OK, _FEW, _WEAK = int(PointStatus.OK), int(PointStatus.TOO_FEW_VIEWS), int(PointStatus.WEAK_PARALLAX)
_BEHIND, _OUTLIER = int(PointStatus.BEHIND_CAMERA), int(PointStatus.OUTLIER)
_HUGE = 1e6  # cost of a proposal behind a camera: worse than any other, better than none
_STEPS = 6
WORK = 9
"""Rows of three to work in: two rays or derivatives, a normal matrix, its right side, a step, and two more."""
_H, _G, _STEP, _MOVED, _X = 2, 5, 6, 7, 8


@njit(cache=True, error_model="numpy", nogil=True)
def robust_point(
    poses: Array, centres: Array, seen: Array, gate2: float, cos_min: float, xyz: Array, six: Array,
    used: NDArray[np.bool_], work: Array,
) -> int:  # fmt: skip
    """Fills xyz (3,), six (xx xy xz yy yz zz of the covariance) and used (C,); returns the status.

    seen (C, 5): direction x, y and weights 00, 01, 11 of every view, weight 0 where unseen. Every pair proposes
    a point; the one that the views contradict least wins (squared residuals cut off at gate2). A view joins if
    it lies within the gate of what the others foretell, their own uncertainty included.
    """
    xyz[:], six[:] = np.nan, np.nan
    for c in range(len(poses)):
        used[c] = seen[c, 2] > 0
    if used.sum() < 2:
        used[:] = False
        return _FEW
    if not _rays_part(poses, seen, used, cos_min, work):
        used[:] = False
        return _WEAK
    if not _best_pair(poses, seen, gate2, cos_min, xyz, used, work):
        xyz[:] = np.nan
        used[:] = False
        return _BEHIND
    status = _OUTLIER
    if _gauss_newton(poses, seen, used, xyz, six, work):
        for _ in range(2):  # judged again from the refined point
            _join(poses, seen, gate2, xyz, six, used, work)
            if used.sum() < 2 or not _gauss_newton(poses, seen, used, xyz, six, work):
                used[:] = False
                break
    if used.sum() >= 2:
        status = _verdict(poses, centres, used, xyz, cos_min, work)
    if status != _OK:
        xyz[:], six[:] = np.nan, np.nan
        used[:] = False
    return status


@njit(cache=True, error_model="numpy", nogil=True)
def _verdict(
    poses: Array, centres: Array, used: NDArray[np.bool_], x: Array, cos_min: float, work: Array
) -> int:
    for c in range(len(poses)):
        if used[c] and not _depth(poses[c], x) > 0:
            return _BEHIND
    strong = False
    for a in range(len(poses)):
        for b in range(a):
            if used[a] and used[b]:
                for i in range(3):
                    work[0, i], work[1, i] = x[i] - centres[a, i], x[i] - centres[b, i]
                strong |= _part(work, cos_min)
    return _OK if strong else _WEAK


@njit(cache=True, error_model="numpy", nogil=True)
def _rays_part(poses: Array, seen: Array, which: NDArray[np.bool_], cos_min: float, work: Array) -> bool:
    """Whether two of the observed rays, as they are seen, enclose more than the least angle."""
    for a in range(len(poses)):
        for b in range(a):
            if which[a] and which[b]:
                for i in range(3):
                    work[0, i] = poses[a, 0, i] * seen[a, 0] + poses[a, 1, i] * seen[a, 1] + poses[a, 2, i]
                    work[1, i] = poses[b, 0, i] * seen[b, 0] + poses[b, 1, i] * seen[b, 1] + poses[b, 2, i]
                if _part(work, cos_min):
                    return True
    return False


@njit(cache=True, error_model="numpy", nogil=True)
def _part(rays: Array, cos_min: float) -> bool:
    """Whether the first two rows enclose more than the least angle."""
    along, u2, v2 = 0.0, 0.0, 0.0
    for i in range(3):
        along += rays[0, i] * rays[1, i]
        u2 += rays[0, i] * rays[0, i]
        v2 += rays[1, i] * rays[1, i]
    return bool(along <= cos_min * np.sqrt(u2 * v2))


@njit(cache=True, error_model="numpy", nogil=True)
def _depth(pose: Array, x: Array) -> float:
    return float(pose[2, 0] * x[0] + pose[2, 1] * x[1] + pose[2, 2] * x[2] + pose[2, 3])


@njit(cache=True, error_model="numpy", nogil=True)
def _best_pair(
    poses: Array, seen: Array, gate2: float, cos_min: float, best: Array, used: NDArray[np.bool_], work: Array
) -> bool:
    """Leaves the winning proposal in best and its two views in used. False if all lie behind a camera."""
    cameras = len(poses)
    lowest, won_a, won_b, x = np.inf, -1, -1, work[_X]
    for a in range(cameras):
        for b in range(a):
            if not (seen[a, 2] > 0 and seen[b, 2] > 0):
                continue
            used[:] = False
            used[a] = used[b] = True
            if not (_rays_part(poses, seen, used, cos_min, work) and _linear(poses, seen, used, x, work)):
                continue
            cost = 0.0 if _depth(poses[a], x) > 0 and _depth(poses[b], x) > 0 else _HUGE
            for c in range(cameras):
                if seen[c, 2] > 0:
                    cost += min(_off2(poses[c], seen[c], x), gate2)
            if cost < lowest:
                lowest, won_a, won_b = cost, a, b
                best[0], best[1], best[2] = x[0], x[1], x[2]
    used[:] = False
    if won_a >= 0:
        used[won_a] = used[won_b] = True
    return lowest < _HUGE


@njit(cache=True, error_model="numpy", nogil=True)
def _off2(pose: Array, view: Array, x: Array) -> float:
    """Squared residual in sigmas; infinite behind the camera."""
    z = _depth(pose, x)
    if not z > 0:
        return np.inf
    ex = view[0] - (pose[0, 0] * x[0] + pose[0, 1] * x[1] + pose[0, 2] * x[2] + pose[0, 3]) / z
    ey = view[1] - (pose[1, 0] * x[0] + pose[1, 1] * x[1] + pose[1, 2] * x[2] + pose[1, 3]) / z
    return float(view[2] * ex * ex + 2 * view[3] * ex * ey + view[4] * ey * ey)


@njit(cache=True, error_model="numpy", nogil=True)
def _linear(poses: Array, seen: Array, which: NDArray[np.bool_], x: Array, work: Array) -> bool:
    """Linear least squares of n (r₃·X + t₃) = (r·X + t) over the chosen views."""
    H, g = work[_H : _H + 3], work[_G]
    H[:], g[:] = 0.0, 0.0
    row = work[0]
    for c in range(len(poses)):
        if which[c]:
            for k in range(2):
                for i in range(3):
                    row[i] = poses[c, k, i] - seen[c, k] * poses[c, 2, i]
                right = seen[c, k] * poses[c, 2, 3] - poses[c, k, 3]
                for i in range(3):
                    g[i] += row[i] * right
                    for j in range(3):
                        H[i, j] += row[i] * row[j]
    inverse = work[_STEP : _STEP + 2].reshape(6)
    if not _inverse(H, inverse):
        return False
    _times(inverse, g, x)
    return True


@njit(cache=True, error_model="numpy", nogil=True)
def _gauss_newton(
    poses: Array, seen: Array, used: NDArray[np.bool_], x: Array, six: Array, work: Array
) -> bool:
    """Least squares of the weighted reprojection error over the used views. False where it runs away."""
    H, g, step, J = work[_H : _H + 3], work[_G], work[_STEP], work[:2]
    for _ in range(_STEPS):
        H[:], g[:] = 0.0, 0.0
        for c in range(len(poses)):
            if used[c]:
                ex, ey = _linearised(poses[c], seen[c], x, J)
                w00, w01, w11 = seen[c, 2], seen[c, 3], seen[c, 4]
                for i in range(3):
                    a, b = w00 * J[0, i] + w01 * J[1, i], w01 * J[0, i] + w11 * J[1, i]
                    g[i] += a * ex + b * ey
                    for j in range(3):
                        H[i, j] += a * J[0, j] + b * J[1, j]
        if not _inverse(H, six):
            return False
        _times(six, g, step)
        for i in range(3):
            x[i] += step[i]
        if step[0] * g[0] + step[1] * g[1] + step[2] * g[2] < 1e-12:
            break
    return bool(np.isfinite(x[0] + x[1] + x[2]))


@njit(cache=True, error_model="numpy", nogil=True)
def _linearised(pose: Array, view: Array, x: Array, J: Array) -> tuple[float, float]:
    """Residual in undistorted coordinates; J (2, 3) is filled with their derivative by the point."""
    z = _depth(pose, x)
    px = (pose[0, 0] * x[0] + pose[0, 1] * x[1] + pose[0, 2] * x[2] + pose[0, 3]) / z
    py = (pose[1, 0] * x[0] + pose[1, 1] * x[1] + pose[1, 2] * x[2] + pose[1, 3]) / z
    for i in range(3):
        J[0, i] = (pose[0, i] - px * pose[2, i]) / z
        J[1, i] = (pose[1, i] - py * pose[2, i]) / z
    return view[0] - px, view[1] - py


@njit(cache=True, error_model="numpy", nogil=True)
def _join(
    poses: Array, seen: Array, gate2: float, x: Array, six: Array, used: NDArray[np.bool_], work: Array
) -> None:
    """Used views stay if the point lies within their gate, others join if theirs, widened by the point's own
    uncertainty, holds it."""
    for c in range(len(poses)):
        if not seen[c, 2] > 0:
            continue
        off2 = _off2(poses[c], seen[c], x)
        if not used[c] and off2 < np.inf:
            off2 = _foretold2(poses[c], seen[c], x, six, work)
        used[c] = off2 < gate2


@njit(cache=True, error_model="numpy", nogil=True)
def _foretold2(pose: Array, view: Array, x: Array, six: Array, work: Array) -> float:
    """Squared residual of a view that took no part, in sigmas of view and foretelling together."""
    J, moved = work[:2], work[_MOVED]
    ex, ey = _linearised(pose, view, x, J)
    det = view[2] * view[4] - view[3] * view[3]
    s00, s01, s11 = view[4] / det, -view[3] / det, view[2] / det
    for k in range(2):
        _times(six, J[k], moved)
        for i in range(3):
            if k == 0:
                s00 += moved[i] * J[0, i]
                s01 += moved[i] * J[1, i]
            else:
                s11 += moved[i] * J[1, i]
    return float((s11 * ex * ex - 2 * s01 * ex * ey + s00 * ey * ey) / (s00 * s11 - s01 * s01))


@njit(cache=True, error_model="numpy", nogil=True)
def _inverse(H: Array, six: Array) -> bool:
    """xx xy xz yy yz zz of H⁻¹; False where H is singular to twelve digits."""
    a, b, c, d, e, f = H[0, 0], H[0, 1], H[0, 2], H[1, 1], H[1, 2], H[2, 2]
    A, B, C = d * f - e * e, c * e - b * f, b * e - c * d
    det = a * A + b * B + c * C
    if not det > 1e-12 * a * d * f:
        return False
    six[0], six[1], six[2] = A / det, B / det, C / det
    six[3], six[4], six[5] = (a * f - c * c) / det, (b * c - a * e) / det, (a * d - b * b) / det
    return True


@njit(cache=True, error_model="numpy", nogil=True)
def _times(six: Array, v: Array, out: Array) -> None:
    a, b, c = v[0], v[1], v[2]
    out[0] = six[0] * a + six[1] * b + six[2] * c
    out[1] = six[1] * a + six[3] * b + six[4] * c
    out[2] = six[2] * a + six[4] * b + six[5] * c
