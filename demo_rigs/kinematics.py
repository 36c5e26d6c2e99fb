"""Smooth curves through keys, small rotations and two-bone limbs, all over many instants at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import Akima1DInterpolator, CubicSpline, PchipInterpolator
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from calibration.checks import Array
from calibration.errors import BadInput

_GRID_S = 0.0005


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A twice continuously differentiable curve through keys; constant before the first and after the last.

    The keys are joined by Akima's method (or a monotone one where `level` is wanted: two equal keys stay
    exactly level between them), then smoothed with a Gaussian: sharp turns are passed near, not through.
    Sources: Akima H (1970), J ACM 17:589-602; Fritsch FN, Carlson RE (1980), SIAM J Numer Anal 17:238-246.
    """

    spline: CubicSpline
    first_s: float
    last_s: float

    def __call__(self, t_s: Array) -> Array:
        return np.asarray(self.spline(np.clip(t_s, self.first_s, self.last_s)))


def curve(keys: Sequence[Sequence[float]], blur_s: float, *, level: bool = False) -> Curve:
    """A Curve through (time, value) pairs. Raises BadInput unless times increase."""
    table = np.array(keys, dtype=float).reshape(-1, 2)
    t, v = table.T
    if len(t) == 0 or np.any(np.diff(t) <= 0):
        raise BadInput(f"motion curve: want times that increase, got {t.tolist()}")
    margin = 6 * blur_s + 0.02
    grid = np.arange(t[0] - margin, t[-1] + margin, _GRID_S)
    if len(t) == 1:
        raw = np.full(len(grid), v[0])
    else:
        join = PchipInterpolator(t, v) if level else Akima1DInterpolator(t, v, method="makima")
        raw = join(np.clip(grid, t[0], t[-1]))
    smooth = gaussian_filter1d(raw, blur_s / _GRID_S, truncate=5.0, mode="nearest")
    return Curve(CubicSpline(grid, smooth), float(grid[0]), float(grid[-1]))


def unit(v: Array) -> Array:
    """Vectors (..., 3) scaled to length 1."""
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


def turn(axis: Array, angle_rad: Array) -> Array:
    """Rotation matrices (..., 3, 3) about axes (..., 3) by angles (...,), broadcast."""
    a = unit(np.asarray(axis, dtype=float)) * np.asarray(angle_rad, dtype=float)[..., None]
    flat = Rotation.from_rotvec(a.reshape(-1, 3)).as_matrix()
    return np.asarray(flat.reshape(*a.shape[:-1], 3, 3))


def part_turn(rotation: Array, fraction: float) -> Array:
    """The same turns (T, 3, 3), taken only by a fraction of their angle."""
    return np.asarray(Rotation.from_rotvec(fraction * Rotation.from_matrix(rotation).as_rotvec()).as_matrix())


def shortest_turn(a: Array, b: Array) -> Array:
    """The smallest rotation (T, 3, 3) that takes unit vectors a to unit vectors b, (T, 3) each."""
    axis = np.cross(a, b)
    s = np.linalg.norm(axis, axis=-1)
    angle = np.arctan2(s, (a * b).sum(axis=-1))
    safe = np.where(s[..., None] > 1e-12, axis, np.array([1.0, 0.0, 0.0]))
    return turn(safe, np.where(s > 1e-12, angle, 0.0))


def frame(first: Array, second: Array) -> Array:
    """Rotations (..., 3, 3): columns are `first`, the part of `second` across it, their cross product."""
    a = unit(first)
    b = unit(second - (second * a).sum(axis=-1, keepdims=True) * a)
    return np.stack([a, b, np.cross(a, b)], axis=-1)


def heading(yaw_rad: Array) -> Array:
    """Rotations about the vertical."""
    return turn(np.array([0.0, 0.0, 1.0]), yaw_rad)


def leaning(yaw_rad: Array, lean_x_rad: Array, lean_y_rad: Array) -> Array:
    """Turned to a heading, then leant towards court +x and +y by these angles (as one tilt)."""
    tilt = np.stack([-lean_y_rad, lean_x_rad, np.zeros_like(lean_x_rad)], axis=-1)
    return np.asarray(Rotation.from_rotvec(tilt).as_matrix() @ heading(yaw_rad))


def two_bones(root: Array, end: Array, first_m: float, second_m: float, pole: Array) -> tuple[Array, Array]:
    """Middle joint (T, 3) of a limb from root to end that bends towards `pole`, and the stretch (T,).

    Stretch is distance / full length; over 1 the limb cannot reach and is drawn straight.
    """
    d = end - root
    length = np.linalg.norm(d, axis=-1)
    stretch = length / (first_m + second_m)
    a = d / length[:, None]
    reach = np.minimum(length, (first_m + second_m) * (1 - 1e-9))
    along = (reach**2 + first_m**2 - second_m**2) / (2 * reach)
    across = np.sqrt(np.maximum(first_m**2 - along**2, 0.0))
    b = unit(pole - (pole * a).sum(axis=-1, keepdims=True) * a)
    return root + along[:, None] * a + across[:, None] * b, stretch
