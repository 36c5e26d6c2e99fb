"""Points in space from two or more views: robust start, weighted maximum likelihood, covariance, status."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array, checked
from calibration.errors import BadInput
from calibration.geometry import Camera
from recon.records import PointStatus


@dataclass(frozen=True, kw_only=True, slots=True)
class TriangulateOptions:
    """How views are judged.

    gate_sigma        a view farther from its prediction than this many of its own sigmas is left out;
                      beyond 4 lies one Gaussian error in 3,000 (2 degrees of freedom)
    min_parallax_rad  smallest angle between two used rays; below 3° the depth error exceeds
                      25 times the error across (references: 1 / sin of half the angle)
    """

    gate_sigma: float = 4.0
    min_parallax_rad: float = float(np.deg2rad(3.0))

    def __post_init__(self) -> None:
        if not self.gate_sigma > 0 or not 0 < self.min_parallax_rad < np.pi:
            raise BadInput(f"triangulate: want gate_sigma > 0 and an angle in (0, π), got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class Triangulated:
    """xyz_m (N, 3), cov_m2 (N, 3, 3) from pixel noise alone, status (N,), views (N, C) used."""

    xyz_m: Array
    cov_m2: Array
    status: NDArray[np.int8]
    views: NDArray[np.bool_]


def triangulate(
    cameras: Sequence[Camera], uv_px: Array, sigma_px: Array, options: TriangulateOptions | None = None
) -> Triangulated:
    """The point in space that best explains its pixels, for N points at once.

    uv_px (N, C, 2), NaN where a camera did not see the point; sigma_px (N, C) per axis.
    Every pair of views proposes a point; the proposal that the views together contradict least (squared
    residuals cut off at the gate) is kept, views outside the gate are dropped, and Gauss-Newton on the
    reprojection error of the rest gives the estimate and (JᵀWJ)⁻¹. Exhaustive over pairs, so no random draw.
    Raises BadInput on wrong shapes. Source: Hartley & Zisserman (2004), Multiple View Geometry, ch. 12.
    """
    options = options or TriangulateOptions()
    count = len(cameras)
    uv = checked(uv_px, (None, count, 2), "uv_px", allow_nan=True)
    sigma = checked(sigma_px, (len(uv), count), "sigma_px", allow_nan=True)
    seen = ~(np.isnan(uv).any(axis=2) | np.isnan(sigma))
    normalised = np.stack([camera.normalised(uv[:, c]) for c, camera in enumerate(cameras)], axis=1)
    seen &= ~np.isnan(normalised).any(axis=2)

    start = _best_pair(cameras, normalised, uv, sigma, seen, options.gate_sigma)
    views = seen & (_residual_sigmas(cameras, start, uv, sigma) < options.gate_sigma)
    few = seen.sum(axis=1) < 2
    contradicted = ~few & (views.sum(axis=1) < 2)
    xyz, _ = refine(cameras, start, uv, sigma, views)
    # judged again from the refined point: two views' proposal alone carries their noise into the third
    start = np.where(np.isnan(xyz), start, xyz)
    views = seen & (_residual_sigmas(cameras, start, uv, sigma) < options.gate_sigma)
    xyz, cov = refine(cameras, start, uv, sigma, views)

    status = np.full(len(uv), PointStatus.OK, dtype=np.int8)
    status[_parallax_rad(cameras, xyz, views) < options.min_parallax_rad] = PointStatus.WEAK_PARALLAX
    depths = np.stack([camera.depth_m(xyz) for camera in cameras], axis=1)
    status[(views & ~(depths > 0)).any(axis=1) | np.isnan(xyz).any(axis=1)] = PointStatus.BEHIND_CAMERA
    status[contradicted] = PointStatus.OUTLIER
    status[few] = PointStatus.TOO_FEW_VIEWS
    absent = status != PointStatus.OK
    xyz[absent], cov[absent], views[absent] = np.nan, np.nan, False
    return Triangulated(xyz, cov, status, views)


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


def _best_pair(
    cameras: Sequence[Camera], normalised: Array, uv: Array, sigma: Array, seen: NDArray[np.bool_], gate: float
) -> Array:
    """Of the points that pairs of views propose, the one with the smallest truncated residual sum."""
    best = np.full((len(uv), 3), np.nan)
    lowest = np.full(len(uv), np.inf)
    for a, b in combinations(range(len(cameras)), 2):
        both = seen[:, a] & seen[:, b]
        if not both.any():
            continue
        proposal = np.full_like(best, np.nan)
        proposal[both] = _linear_pair(cameras[a], cameras[b], normalised[both, a], normalised[both, b])
        in_front = (cameras[a].depth_m(proposal) > 0) & (cameras[b].depth_m(proposal) > 0)
        squared = np.minimum(_residual_sigmas(cameras, proposal, uv, sigma), gate) ** 2
        cost = np.where(seen, squared, 0.0).sum(axis=1)
        cost = np.where(both, np.where(in_front, cost, cost + 1e6), np.inf)
        better = cost < lowest
        best[better], lowest[better] = proposal[better], cost[better]
    return best


def _linear_pair(a: Camera, b: Camera, na: Array, nb: Array) -> Array:
    """Linear least squares on n × (R x + t) = 0 of two views: points (N, 3)."""
    rows, right = [], []
    for camera, n in ((a, na), (b, nb)):
        R, t = camera.cam_from_world.R, camera.cam_from_world.t_m
        for axis in range(2):
            rows.append(n[:, axis, None] * R[2] - R[axis])
            right.append(t[axis] - n[:, axis] * t[2])
    A, y = np.stack(rows, axis=1), np.stack(right, axis=1)
    normal = np.einsum("nki,nkj->nij", A, A)
    # parallel rays have no meeting point: the ridge keeps the solve finite, the parallax test names them
    ridge = 1e-12 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3)
    return np.asarray(np.linalg.solve(normal + ridge, np.einsum("nki,nk->ni", A, y)[..., None])[..., 0])


def _residual_sigmas(cameras: Sequence[Camera], xyz: Array, uv: Array, sigma: Array) -> Array:
    """(N, C) distance of each view from the projected point, in that view's sigmas; inf where it has none."""
    predicted = np.stack([camera.project(xyz) for camera in cameras], axis=1)
    distance = np.linalg.norm(uv - predicted, axis=2) / sigma
    return np.asarray(np.where(np.isnan(distance), np.inf, distance))


def _parallax_rad(cameras: Sequence[Camera], xyz: Array, views: NDArray[np.bool_]) -> Array:
    """(N,) largest angle between the rays of two used views; 0 with fewer than two."""
    rays = np.stack([xyz - camera.centre_m() for camera in cameras], axis=1)
    rays = rays / np.linalg.norm(rays, axis=2, keepdims=True)
    largest = np.zeros(len(xyz))
    for a, b in combinations(range(len(cameras)), 2):
        angle = np.arctan2(
            np.linalg.norm(np.cross(rays[:, a], rays[:, b]), axis=1), (rays[:, a] * rays[:, b]).sum(axis=1)
        )
        largest = np.where(views[:, a] & views[:, b], np.fmax(largest, np.nan_to_num(angle)), largest)
    return largest
