"""Least-squares rotation, translation and (optionally) scale between two point sets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput


@dataclass(frozen=True, slots=True, eq=False)
class Similarity:
    """y = scale · R x + t, with the mean squared residual left (unit of y, squared)."""

    R: Array
    t: Array
    scale: float
    mean_squared_residual: float


def fit_similarity(x: Array, y: Array, *, with_scale: bool) -> Similarity:
    """The similarity (or rigid motion, scale 1) that takes x (N, D) closest to y (N, D) in least squares.

    D is 2 or 3. Raises BadInput on unequal shapes or points that do not fix a rotation (fewer than D, or
    all on one line in 3D).
    Source: Umeyama S (1991), IEEE TPAMI 13:376-380, eq. 40-43.
    """
    x = checked(x, (None, None), "x")
    y = checked(y, (x.shape[0], x.shape[1]), "y")
    n, dim = x.shape
    mean_x, mean_y = x.mean(axis=0), y.mean(axis=0)
    spread_x = float(((x - mean_x) ** 2).sum() / n)
    U, d, Vt = np.linalg.svd((y - mean_y).T @ (x - mean_x) / n)
    if n < dim or d[dim - 2] <= 1e-9 * max(d[0], 1e-300):
        raise BadInput(f"x, y: {n} points in {dim}D do not fix a rotation; want points that span a plane")
    s = np.ones(dim)
    if np.linalg.det(U) * np.linalg.det(Vt) < 0:
        s[-1] = -1.0
    R = U @ np.diag(s) @ Vt
    scale = float((d * s).sum() / spread_x) if with_scale else 1.0
    t = mean_y - scale * R @ mean_x
    residual = y - (scale * x @ R.T + t)
    return Similarity(R, t, scale, float((residual**2).sum() / n))
