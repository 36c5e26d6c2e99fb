"""From pixels to undistorted directions, compiled: many pixels at once, with the derivative that weights need.

The same formulas as `lens_models`, inverted by Newton's method over blocks of LANES pixels, which the compiler
turns into vector instructions; a block is undistorted without allocating. A lens is its vector (12,): focal
lengths, centre, terms (the first of `camera.PARAMETERS`).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numba import njit

from calibration.checks import Array
from calibration.geometry.lens_models import SLOTS

LANES = 128
"""Pixels of a block: a row of its work space is one kilobyte, so that all rows stay in the first two caches."""
N, NX, NY, JXX, JXY, JYY, KNOWN = 6, 0, 1, 2, 3, 4, 5
"""Rows of a block: direction, its distorted image's derivative (symmetric), 1 where there is a direction."""

_PLAIN, _POLYNOMIAL, _QUOTIENT, _FISHEYE = 0, 1, 2, 3
_FAST = {"reassoc", "contract", "arcp", "nsz"}  # NaN keeps its meaning
_STEPS = 20
_DONE = 1e-12  # sum of squared steps after which Newton's next one is below 1e-11
_MISS = 1e-9  # distorted coordinates; a pixel's thousandth is 1e-6
_FARTHEST = 12.0  # tangent of 85° from the axis: no lens here is asked beyond


def kind_of(model: str, lens: Array) -> int:
    """Which of the compiled formulas inverts a lens."""
    if model == "fisheye4":
        return _FISHEYE
    if lens[9:].any():
        return _QUOTIENT
    return _POLYNOMIAL if lens[4:].any() else _PLAIN


@lru_cache(maxsize=256)
def reach_of(model: str, terms: tuple[float, ...]) -> float:
    """Largest undistorted radius X/Z up to which the lens maps ever larger radii farther out.

    Beyond it the polynomial bends back, and two directions share a pixel: what the model says there was never
    measured. terms: all SLOTS of them. Tangential terms are small and left out.
    """
    if len(terms) != SLOTS:
        raise ValueError(f"reach_of: want {SLOTS} terms, got {len(terms)}")
    r = np.linspace(0.0, _FARTHEST, 12001)
    if model == "fisheye4":
        theta = np.arctan(r)
        landed = theta * (1 + sum(k * theta ** (2 * j + 2) for j, k in enumerate(terms[:4])))
    else:
        k1, k2, _, _, k3, k4, k5, k6 = terms
        r2 = r * r
        down = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
        landed = r * (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / np.where(down > 0, down, np.nan)
    bends = np.flatnonzero(~(np.diff(landed) > 0))  # NaN, a quotient without meaning, bends as well
    return float(r[bends[0]]) if len(bends) else _FARTHEST


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def undistort_block(lens: Array, kind: int, reach2: float, x: Array, out: Array) -> None:
    """Fills out, N rows of LANES, from distorted coordinates x, 2 rows; lanes with NaN are not known.

    Blocks are flat, so that the compiler knows how far apart their rows lie.
    """
    for i in range(LANES):
        good = x[i] - x[i] + x[LANES + i] - x[LANES + i] == 0.0
        out[KNOWN * LANES + i] = 1.0 if good else 0.0
        out[i] = x[i] if good else 0.0
        out[LANES + i] = x[LANES + i] if good else 0.0
        x[i], x[LANES + i] = out[i], out[LANES + i]
        out[JXX * LANES + i], out[JXY * LANES + i], out[JYY * LANES + i] = 1.0, 0.0, 1.0
    if kind in (_POLYNOMIAL, _QUOTIENT):
        _newton(lens, kind == _QUOTIENT, x, out)
    elif kind == _FISHEYE:
        _fisheye(lens, x, out)
    if kind != _PLAIN:
        for i in range(LANES):
            r2 = out[i] * out[i] + out[LANES + i] * out[LANES + i]
            upright = out[JXX * LANES + i] * out[JYY * LANES + i] > out[JXY * LANES + i] * out[JXY * LANES + i]
            out[KNOWN * LANES + i] *= 1.0 if (r2 < reach2) & upright else 0.0


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _newton(lens: Array, quotient: bool, x: Array, out: Array) -> None:
    k1, k2, p1, p2, k3, k4, k5, k6 = lens[4], lens[5], lens[6], lens[7], lens[8], lens[9], lens[10], lens[11]
    # start: the radial series turned round, r = s (1 − k s² + (3 k² − m) s⁴ …), held near one where it fails
    k, m = k1 - k4, k2 - k5 - k4 * (k1 - k4)
    for i in range(LANES):
        s2 = x[i] * x[i] + x[LANES + i] * x[LANES + i]
        scale = min(max(1 - s2 * (k - s2 * (3 * k * k - m)), 0.7), 1.5)
        out[i], out[LANES + i] = x[i] * scale, x[LANES + i] * scale
    for _ in range(_STEPS):
        moved = 0.0
        for i in range(LANES):
            a, b = out[i], out[LANES + i]
            r2 = a * a + b * b
            down = 1 / (1 + r2 * (k4 + r2 * (k5 + r2 * k6))) if quotient else 1.0
            radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) * down
            by_r2 = (k1 + r2 * (2 * k2 + 3 * k3 * r2) - radial * (k4 + r2 * (2 * k5 + 3 * k6 * r2))) * down
            ex = a * radial + 2 * p1 * a * b + p2 * (r2 + 2 * a * a) - x[i]
            ey = b * radial + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b - x[LANES + i]
            jxx = radial + 2 * a * a * by_r2 + 2 * p1 * b + 6 * p2 * a
            jxy = 2 * a * b * by_r2 + 2 * p1 * a + 2 * p2 * b
            jyy = radial + 2 * b * b * by_r2 + 6 * p1 * b + 2 * p2 * a
            per_det = 1 / (jxx * jyy - jxy * jxy)
            da, db = (jyy * ex - jxy * ey) * per_det, (jxx * ey - jxy * ex) * per_det
            out[i], out[LANES + i] = a - da, b - db
            out[JXX * LANES + i], out[JXY * LANES + i], out[JYY * LANES + i] = jxx, jxy, jyy
            moved += da * da + db * db
        if moved < _DONE:
            return
    # some lane did not settle: a pixel where no direction lands. The last step's size tells which.
    for i in range(LANES):
        a, b = out[i], out[LANES + i]
        r2 = a * a + b * b
        radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / (1 + r2 * (k4 + r2 * (k5 + r2 * k6)))
        ex = a * radial + 2 * p1 * a * b + p2 * (r2 + 2 * a * a) - x[i]
        ey = b * radial + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b - x[LANES + i]
        if not ex * ex + ey * ey < _MISS * _MISS:
            out[KNOWN * LANES + i], out[i], out[LANES + i] = 0.0, 0.0, 0.0
            out[JXX * LANES + i], out[JXY * LANES + i], out[JYY * LANES + i] = 1.0, 0.0, 1.0


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _fisheye(lens: Array, x: Array, out: Array) -> None:
    k1, k2, k3, k4 = lens[4], lens[5], lens[6], lens[7]
    for i in range(LANES):
        bent = np.sqrt(x[i] * x[i] + x[LANES + i] * x[LANES + i])
        if bent < 1e-9:
            continue
        theta, slope, miss = bent, 1.0, 1.0
        for _ in range(_STEPS):
            t2 = theta * theta
            miss = theta * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4)))) - bent
            slope = 1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4)))
            if abs(miss) < 1e-15:
                break
            theta -= miss / slope
        if not (abs(miss) < _MISS and 0 < theta < 1.57):
            out[KNOWN * LANES + i] = 0.0
            continue
        r = np.tan(theta)
        out[i], out[LANES + i] = x[i] * r / bent, x[LANES + i] * r / bent
        scale = bent / r
        change = (slope / (1 + r * r) - scale) / (r * r)
        a, b = out[i], out[LANES + i]
        out[JXX * LANES + i], out[JXY * LANES + i], out[JYY * LANES + i] = (
            scale + a * a * change,
            a * b * change,
            scale + b * b * change,
        )


def undistorted(model: str, lens: Array, uv_px: Array) -> tuple[Array, Array]:
    """Pixels (M, 2) to normalised coordinates (M, 2) and the derivative of the distorted by them (M, 2, 2).

    NaN where the pixel is NaN or beyond the lens model's reach.
    """
    n, by_n = np.array(uv_px, dtype=np.float64, order="C"), np.empty((len(uv_px), 2, 2))
    _undistort_all(lens, kind_of(model, lens), reach_of(model, tuple(lens[4:])) ** 2, n, by_n)
    return n, by_n


@njit(cache=True, fastmath=_FAST, error_model="numpy", nogil=True)
def _undistort_all(lens: Array, kind: int, reach2: float, n: Array, by_n: Array) -> None:
    """n holds pixels and then their directions."""
    x, out = np.empty(2 * LANES), np.empty(N * LANES)
    for first in range(0, len(n), LANES):
        for i in range(LANES):
            k = min(first + i, len(n) - 1)
            x[i], x[LANES + i] = (n[k, 0] - lens[2]) / lens[0], (n[k, 1] - lens[3]) / lens[1]
        undistort_block(lens, kind, reach2, x, out)
        for i in range(min(LANES, len(n) - first)):
            k, known = first + i, out[KNOWN * LANES + i] > 0
            n[k, 0] = out[i] if known else np.nan
            n[k, 1] = out[LANES + i] if known else np.nan
            by_n[k, 0, 0] = out[JXX * LANES + i] if known else np.nan
            by_n[k, 0, 1] = by_n[k, 1, 0] = out[JXY * LANES + i] if known else np.nan
            by_n[k, 1, 1] = out[JYY * LANES + i] if known else np.nan
