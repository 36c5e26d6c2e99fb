"""Points in space from two or more views: robust start, weighted maximum likelihood, covariance, status."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array, checked
from calibration.errors import BadInput
from calibration.geometry import Camera
from calibration.geometry.undistort import kind_of, reach_of
from recon.triangulate.kernel import locate


@dataclass(frozen=True, kw_only=True, slots=True)
class TriangulateOptions:
    """How views are judged.

    gate_sigma        a view farther from what the others foretell than this many sigmas is left out; beyond 4
                      lies one Gaussian error in 3,000 (2 degrees of freedom)
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
    cameras: Sequence[Camera],
    uv_px: Array,
    sigma_px: Array | None,
    options: TriangulateOptions | None = None,
    *,
    cov_px2: Array | None = None,
) -> Triangulated:
    """The point in space that best explains its pixels, for N points at once.

    uv_px (N, C, 2), NaN where a camera did not see the point; sigma_px (N, C) per axis, or None and cov_px2
    (N, C, 2, 2). A pixel beyond the reach of its camera's lens model counts as not seen.
    All views together give a weighted linear estimate and one Gauss-Newton step on the reprojection error;
    where the views then agree, that is the maximum-likelihood point with (JᵀWJ)⁻¹ as its covariance. Where they
    do not, every pair of views proposes a point; the one that all views contradict least (squared residuals cut
    off at the gate) is kept, the views within the gate join, and their estimate is iterated. Exhaustive over
    pairs, so no random draw.
    Raises BadInput on wrong shapes, sigmas that are not positive, covariances that are not positive definite.
    Source: Hartley & Zisserman (2004), Multiple View Geometry, ch. 12.
    """
    options = options or TriangulateOptions()
    count = len(cameras)
    uv = _read(uv_px, (None, count, 2), "uv_px")
    weights = _weights(sigma_px, cov_px2, len(uv), count)
    poses = np.empty((count, 3, 4))
    for pose, camera in zip(poses, cameras, strict=True):
        pose[:, :3], pose[:, 3] = camera.cam_from_world.R, camera.cam_from_world.t_m
    centres = -(poses[:, None, :, 3] @ poses[..., :3])[:, 0]
    xyz, cov = np.empty((len(uv), 3)), np.empty((len(uv), 3, 3))
    status, views = np.empty(len(uv), dtype=np.int8), np.empty((len(uv), count), dtype=np.bool_)
    gate2, least = float(options.gate_sigma) ** 2, float(np.cos(options.min_parallax_rad))
    locate(poses, centres, *_lenses(cameras), uv, weights, gate2, least, xyz, cov, status, views)
    return Triangulated(xyz, cov, status, views)


def _lenses(cameras: Sequence[Camera]) -> tuple[Array, NDArray[np.int64], Array]:
    """What the compiled code knows of lenses: lens vectors (C, 12), kinds (C,), squared reach (C,)."""
    lenses = np.stack([camera.lens_vector() for camera in cameras])
    both = list(zip((c.model for c in cameras), lenses, strict=True))
    reach = [reach_of(model, tuple(lens[4:])) for model, lens in both]
    return lenses, np.array([kind_of(model, lens) for model, lens in both], dtype=np.int64), np.square(reach)


def _read(value: Array | None, shape: tuple[int | None, ...], name: str) -> Array:
    """As `checked` with NaN allowed, but without a copy: this is the inner loop of whatever triangulates."""
    out = np.ascontiguousarray(value, dtype=np.float64)
    if out.ndim != len(shape) or any(w not in (None, g) for g, w in zip(out.shape, shape, strict=True)):
        return checked(out, shape, name, allow_nan=True)  # which says what is wrong
    if not np.fmax.reduce(np.abs(out), axis=None, initial=0.0) < np.inf:
        return checked(out, shape, name, allow_nan=True)
    out = out.view()
    out.flags.writeable = False  # one type of arrays, compiled once
    return out


def _weights(sigma_px: Array | None, cov_px2: Array | None, n: int, count: int) -> Array:
    """(N, C, 1) sigmas, or (N, C, 3) entries uu, uv, vv of the inverse covariances."""
    if (sigma_px is None) == (cov_px2 is None):
        raise BadInput("triangulate: want sigma_px or cov_px2, one of the two")
    if cov_px2 is None:
        sigma = _read(sigma_px, (n, count), "sigma_px")
        if not (np.fmin.reduce(sigma, axis=None, initial=np.inf) > 0):
            raise BadInput(f"sigma_px: want positive values, got {np.nanmin(sigma)}")
        return sigma[:, :, None]
    cov = checked(cov_px2, (n, count, 2, 2), "cov_px2", allow_nan=True)
    uu, uv, vv = cov[..., 0, 0], cov[..., 0, 1], cov[..., 1, 1]
    det = uu * vv - uv * uv
    if np.any(uu <= 0) or np.any(det <= 0) or np.any(np.abs(uv - cov[..., 1, 0]) > 1e-9 * (uu + vv)):
        raise BadInput("cov_px2: want symmetric positive definite covariances")
    weights = np.ascontiguousarray(np.stack([vv, -uv, uu], axis=-1) / det[..., None])
    weights.flags.writeable = False  # as sigmas are: one type of arrays, compiled once
    return weights
