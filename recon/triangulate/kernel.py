"""Points from views, compiled: blocks of points at once, and those that look suspicious one by one.

Works on undistorted coordinates, weighted by what the pixels' covariance becomes there (first order), which is
the reprojection error in pixels up to the curvature of the lens within one pixel's noise.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry.undistort import JXX, JXY, JYY, KNOWN, LANES, N, undistort_block
from recon.records import PointStatus
from recon.triangulate.robust import WORK, robust_point

_FAST = {"reassoc", "contract", "arcp", "nsz"}  # NaN and infinity keep their meaning
_LONG_STEP2 = (
    25.0  # in sigmas: after a shorter Gauss-Newton step the next is below 0.01 sigma at court distances
)
_OK = int(PointStatus.OK)
W00, W01, W11 = 2, 3, 4  # rows of a view's block behind the direction (NX, NY): its weights; 0 where unseen
_XYZ = 9  # rows 0-8 of the sums: normal matrix xx xy xz yy yz zz and gradient; then the point


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def locate(
    poses: Array, centres: Array, lens: Array, kinds: NDArray[np.int64], reach2: Array, uv: Array,
    weights: Array, gate2: float, cos_min: float, xyz: Array, cov: Array, status: NDArray[np.int8],
    views: NDArray[np.bool_],
) -> None:  # fmt: skip
    """Fills xyz (N, 3), cov (N, 3, 3), status (N,) and views (N, C).

    poses (C, 3, 4) [R | t], centres (C, 3); lens (C, 12), kinds, reach2 (C,) as in `undistort`; uv (N, C, 2);
    weights (N, C, 1) sigma or (N, C, 3) entries uu, uv, vv of the inverse covariance; NaN where unseen.
    """
    count, cameras = uv.shape[0], uv.shape[1]
    V = np.empty((cameras, 5 * LANES))
    rays = np.empty((cameras, 4 * LANES))
    x, flat = np.empty(2 * LANES), np.empty(N * LANES)
    S, fine = np.empty((_XYZ + 3) * LANES), np.empty(3 * LANES)
    six, seen, work = np.empty(6), np.empty((cameras, 5)), np.empty((WORK, 3))
    for first in range(0, count, LANES):
        for c in range(cameras):
            _view_block(lens[c], kinds[c], reach2[c], uv, weights, first, c, x, flat, V[c])
        _sums_linear(poses, V, S)
        _solve(S, False, fine)
        _sums(poses, V, S, fine)
        _solve(S, True, fine)
        _parallax(centres, V, S, rays, cos_min, fine)
        lanes = min(LANES, count - first)
        _hand_out(V, S, first, lanes, xyz, cov, status, views)
        for i in range(lanes):
            agree = fine[i] - fine[2 * LANES + i] <= gate2
            if not (agree and fine[LANES + i] > 0.5 and fine[2 * LANES + i] <= _LONG_STEP2):
                for c in range(cameras):
                    for m in range(5):
                        seen[c, m] = V[c, m * LANES + i]
                k = first + i
                status[k] = robust_point(poses, centres, seen, gate2, cos_min, xyz[k], six, views[k], work)
                _unpack(six, cov[k])


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _hand_out(
    V: Array, S: Array, first: int, lanes: int, xyz: Array, cov: Array, status: NDArray[np.int8],
    views: NDArray[np.bool_],
) -> None:  # fmt: skip
    """A block's points to where they belong, as if all were fine."""
    for i in range(lanes):
        k = first + i
        xyz[k, 0], xyz[k, 1], xyz[k, 2] = (
            S[_XYZ * LANES + i],
            S[(_XYZ + 1) * LANES + i],
            S[(_XYZ + 2) * LANES + i],
        )
        cov[k, 0, 0], cov[k, 1, 1], cov[k, 2, 2] = S[i], S[3 * LANES + i], S[5 * LANES + i]
        cov[k, 0, 1] = cov[k, 1, 0] = S[LANES + i]
        cov[k, 0, 2] = cov[k, 2, 0] = S[2 * LANES + i]
        cov[k, 1, 2] = cov[k, 2, 1] = S[4 * LANES + i]
        status[k] = _OK
    for i in range(lanes):
        for c in range(len(V)):
            views[first + i, c] = V[c, W00 * LANES + i] > 0


@njit(cache=True, error_model="numpy", nogil=True)
def _unpack(six: Array, cov: Array) -> None:
    cov[0, 0], cov[1, 1], cov[2, 2] = six[0], six[3], six[5]
    cov[0, 1] = cov[1, 0] = six[1]
    cov[0, 2] = cov[2, 0] = six[2]
    cov[1, 2] = cov[2, 1] = six[4]


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _view_block(
    lens: Array, kind: int, reach2: float, uv: Array, weights: Array, first: int, c: int, x: Array, flat: Array,
    out: Array,
) -> None:  # fmt: skip
    """One camera's share of a block: directions and their weights. Lanes beyond the last point repeat it."""
    fx, fy, last = lens[0], lens[1], len(uv) - 1
    per_fx, per_fy = 1 / fx, 1 / fy
    for i in range(LANES):
        k = min(first + i, last)
        x[i] = (uv[k, c, 0] - lens[2]) * per_fx
        x[LANES + i] = (uv[k, c, 1] - lens[3]) * per_fy
    if weights.shape[2] == 1:
        for i in range(LANES):
            sigma = weights[min(first + i, last), c, 0]
            out[W00 * LANES + i] = sigma * sigma
        for i in range(LANES):
            out[W00 * LANES + i] = 1 / out[W00 * LANES + i]
            out[W01 * LANES + i] = 0.0
            out[W11 * LANES + i] = out[W00 * LANES + i]
    else:
        for i in range(LANES):
            k = min(first + i, last)
            for m in range(3):
                out[(W00 + m) * LANES + i] = weights[k, c, m]
    undistort_block(lens, kind, reach2, x, flat)
    for i in range(LANES):
        a, b, d = out[W00 * LANES + i], out[W01 * LANES + i], out[W11 * LANES + i]
        g00, g01, g10, g11 = (
            fx * flat[JXX * LANES + i],
            fx * flat[JXY * LANES + i],
            fy * flat[JXY * LANES + i],
            fy * flat[JYY * LANES + i],
        )
        known = (flat[KNOWN * LANES + i] > 0.0) & (a > 0.0)
        out[i], out[LANES + i] = flat[i], flat[LANES + i]
        out[W00 * LANES + i] = g00 * (a * g00 + b * g10) + g10 * (b * g00 + d * g10) if known else 0.0
        out[W01 * LANES + i] = g00 * (a * g01 + b * g11) + g10 * (b * g01 + d * g11) if known else 0.0
        out[W11 * LANES + i] = g01 * (a * g01 + b * g11) + g11 * (b * g01 + d * g11) if known else 0.0


@njit(inline="always")  # as a call it would keep the loops over lanes from becoming vector instructions
def _add_rows(
    S: Array, view: Array, i: int, a0: float, a1: float, a2: float, ar: float, b0: float, b1: float, b2: float,
    br: float,
) -> float:  # fmt: skip
    """Adds one lane's two weighted rows (a, b; residuals ar, br) to the sums; gives their squared residual."""
    w00, w01, w11 = view[W00 * LANES + i], view[W01 * LANES + i], view[W11 * LANES + i]
    s0, s1, s2, sr = w00 * a0 + w01 * b0, w00 * a1 + w01 * b1, w00 * a2 + w01 * b2, w00 * ar + w01 * br
    t0, t1, t2, tr = w01 * a0 + w11 * b0, w01 * a1 + w11 * b1, w01 * a2 + w11 * b2, w01 * ar + w11 * br
    S[i] += a0 * s0 + b0 * t0
    S[LANES + i] += a0 * s1 + b0 * t1
    S[2 * LANES + i] += a0 * s2 + b0 * t2
    S[3 * LANES + i] += a1 * s1 + b1 * t1
    S[4 * LANES + i] += a1 * s2 + b1 * t2
    S[5 * LANES + i] += a2 * s2 + b2 * t2
    S[6 * LANES + i] += a0 * sr + b0 * tr
    S[7 * LANES + i] += a1 * sr + b1 * tr
    S[8 * LANES + i] += a2 * sr + b2 * tr
    return float(ar * sr + br * tr)


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _sums_linear(poses: Array, V: Array, S: Array) -> None:
    """Normal equations of n (r₃·X + t₃) = (r·X + t): linear, the error times its unknown depth."""
    S[: 9 * LANES] = 0.0
    for c in range(len(poses)):
        p, view = poses[c], V[c]
        p00, p01, p02, p03 = p[0, 0], p[0, 1], p[0, 2], p[0, 3]
        p10, p11, p12, p13 = p[1, 0], p[1, 1], p[1, 2], p[1, 3]
        p20, p21, p22, p23 = p[2, 0], p[2, 1], p[2, 2], p[2, 3]
        for i in range(LANES):
            x, y = view[i], view[LANES + i]
            a0, a1, a2, ar = p00 - x * p20, p01 - x * p21, p02 - x * p22, x * p23 - p03
            b0, b1, b2, br = p10 - y * p20, p11 - y * p21, p12 - y * p22, y * p23 - p13
            _add_rows(S, view, i, a0, a1, a2, ar, b0, b1, b2, br)


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _sums(poses: Array, V: Array, S: Array, fine: Array) -> None:
    """Normal equations of the weighted reprojection error at the point in S; in the first row of fine its
    squared sum in sigmas, infinite behind a camera."""
    S[: 9 * LANES] = 0.0
    fine[:LANES] = 0.0
    for c in range(len(poses)):
        p, view = poses[c], V[c]
        p00, p01, p02, p03 = p[0, 0], p[0, 1], p[0, 2], p[0, 3]
        p10, p11, p12, p13 = p[1, 0], p[1, 1], p[1, 2], p[1, 3]
        p20, p21, p22, p23 = p[2, 0], p[2, 1], p[2, 2], p[2, 3]
        for i in range(LANES):
            X, Y, Z = S[_XYZ * LANES + i], S[(_XYZ + 1) * LANES + i], S[(_XYZ + 2) * LANES + i]
            depth = p20 * X + p21 * Y + p22 * Z + p23
            per_z = 1 / depth
            x = (p00 * X + p01 * Y + p02 * Z + p03) * per_z
            y = (p10 * X + p11 * Y + p12 * Z + p13) * per_z
            ar, br = view[i] - x, view[LANES + i] - y
            a0, a1, a2 = (p00 - x * p20) * per_z, (p01 - x * p21) * per_z, (p02 - x * p22) * per_z
            b0, b1, b2 = (p10 - y * p20) * per_z, (p11 - y * p21) * per_z, (p12 - y * p22) * per_z
            squared = _add_rows(S, view, i, a0, a1, a2, ar, b0, b1, b2, br)
            fine[i] += squared if (depth > 0) | (view[W00 * LANES + i] == 0) else np.inf


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _solve(S: Array, add: bool, fine: Array) -> None:
    """Sums inverted in place, by the adjugate; the point set or moved; step² in sigmas in row 2 of fine."""
    for i in range(LANES):
        a, b, c, d, e, f = (
            S[i],
            S[LANES + i],
            S[2 * LANES + i],
            S[3 * LANES + i],
            S[4 * LANES + i],
            S[5 * LANES + i],
        )
        g0, g1, g2 = S[6 * LANES + i], S[7 * LANES + i], S[8 * LANES + i]
        A, B, C = d * f - e * e, c * e - b * f, b * e - c * d
        per_det = 1 / (a * A + b * B + c * C)
        A, B, C = A * per_det, B * per_det, C * per_det
        D, E, F = (a * f - c * c) * per_det, (b * c - a * e) * per_det, (a * d - b * b) * per_det
        dx, dy, dz = A * g0 + B * g1 + C * g2, B * g0 + D * g1 + E * g2, C * g0 + E * g1 + F * g2
        keep = 1.0 if add else 0.0
        S[_XYZ * LANES + i] = dx + (S[_XYZ * LANES + i] if add else 0.0)
        S[(_XYZ + 1) * LANES + i] = dy + (S[(_XYZ + 1) * LANES + i] if add else 0.0)
        S[(_XYZ + 2) * LANES + i] = dz + (S[(_XYZ + 2) * LANES + i] if add else 0.0)
        fine[2 * LANES + i] = keep * (dx * g0 + dy * g1 + dz * g2)
        S[i], S[LANES + i], S[2 * LANES + i], S[3 * LANES + i], S[4 * LANES + i], S[5 * LANES + i] = (
            A,
            B,
            C,
            D,
            E,
            F,
        )


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _parallax(centres: Array, V: Array, S: Array, rays: Array, cos_min: float, fine: Array) -> None:
    """fine[1]: 1 where the rays from the point to two of its cameras part enough."""
    fine[LANES : 2 * LANES] = 0.0
    for c in range(len(centres)):
        c0, c1, c2, ray = centres[c, 0], centres[c, 1], centres[c, 2], rays[c]
        for i in range(LANES):
            x, y, z = S[_XYZ * LANES + i] - c0, S[(_XYZ + 1) * LANES + i] - c1, S[(_XYZ + 2) * LANES + i] - c2
            ray[i], ray[LANES + i], ray[2 * LANES + i] = x, y, z
            ray[3 * LANES + i] = np.sqrt(x * x + y * y + z * z)
    for a in range(len(centres)):
        for b in range(a + 1, len(centres)):
            _part(V[a], V[b], rays[a], rays[b], cos_min, fine)


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _part(u: Array, v: Array, ray_u: Array, ray_v: Array, cos_min: float, fine: Array) -> None:
    for i in range(LANES):
        along = ray_u[i] * ray_v[i]
        for m in range(1, 3):
            along += ray_u[m * LANES + i] * ray_v[m * LANES + i]
        part = along <= cos_min * ray_u[3 * LANES + i] * ray_v[3 * LANES + i]
        both = u[W00 * LANES + i] * v[W00 * LANES + i] > 0
        fine[LANES + i] = 1.0 if part & both else fine[LANES + i]
