"""Gauss-Newton on the reprojection error in pixels, from a start and a choice of views that somebody made."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry import Camera


def refine(
    cameras: Sequence[Camera],
    start_m: Array,
    uv_px: Array,
    sigma_px: Array,
    views: NDArray[np.bool_],
    steps: int = 4,
) -> tuple[Array, Array]:
    """Gauss-Newton on the weighted reprojection error: points (N, 3) and covariance (N, 3, 3).

    Rows with fewer than two views come back NaN. Four steps: the second already changes a point by less
    than 1e-6 m at court distances.
    """
    xyz = np.array(start_m)
    usable = views.sum(axis=1) >= 2
    cov = np.full((len(xyz), 3, 3), np.nan)
    for _ in range(steps):
        normal, gradient = _normal_equations(cameras, xyz, uv_px, sigma_px, views)
        solvable = usable & np.isfinite(normal).all(axis=(1, 2)) & (np.linalg.cond(_safe(normal)) < 1e12)
        cov[solvable] = np.linalg.inv(normal[solvable])
        xyz[solvable] += np.einsum("nij,nj->ni", cov[solvable], gradient[solvable])
        xyz[~solvable] = np.nan
    return xyz, cov


def _normal_equations(
    cameras: Sequence[Camera], xyz: Array, uv: Array, sigma: Array, views: NDArray[np.bool_]
) -> tuple[Array, Array]:
    normal, gradient = np.zeros((len(xyz), 3, 3)), np.zeros((len(xyz), 3))
    for c, camera in enumerate(cameras):
        predicted, jacobian = camera.project_with_jacobian(xyz)
        weight = np.where(views[:, c], 1.0 / sigma[:, c] ** 2, 0.0)
        used = views[:, c, None]
        residual = np.where(used, uv[:, c] - predicted, 0.0)
        jacobian = np.where(used[..., None], jacobian, 0.0)
        weighted = np.nan_to_num(weight)[:, None, None] * jacobian
        normal += np.einsum("nki,nkj->nij", weighted, jacobian)
        gradient += np.einsum("nki,nk->ni", weighted, residual)
    return normal, gradient


def _safe(normal: Array) -> Array:
    return np.where(np.isfinite(normal), normal, 0.0)
