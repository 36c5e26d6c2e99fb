"""A pinhole camera with five radial-tangential lens terms, placed in a frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput, FrameMismatch
from calibration.geometry.rigid import Rigid

PARAMETERS = (
    "fx_px", "fy_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3",
    "rx_rad", "ry_rad", "rz_rad", "tx_m", "ty_m", "tz_m",
)  # fmt: skip
"""Order of a camera's 15 parameters in every covariance. The rotation parameters are a small rotation vector
applied on the left (in the camera frame), cam_from_world → exp(r) · cam_from_world; t is its t_m."""

_UNDISTORT_STEPS = 20  # Newton steps; 5 suffice for |k1| < 0.5, the loop stops early


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """One calibrated camera.

    size_px     (width, height); pixel centres are at integers, (0, 0) is the centre of the top-left pixel
    K_px        (3, 3) [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]
    distortion  (5,) k1 k2 p1 p2 k3, no unit, the order and meaning of OpenCV's first five terms
    cam_from_world  pose; its src is "rig" before the court is registered and "court" after
    Source of the lens model: Brown DC (1971), Close-range camera calibration, Photogramm Eng 37:855-866.
    """

    name: str
    size_px: tuple[int, int]
    K_px: Array
    distortion: Array
    cam_from_world: Rigid

    def __post_init__(self) -> None:
        object.__setattr__(self, "K_px", checked(self.K_px, (3, 3), f"camera {self.name}: K_px"))
        distortion = checked(self.distortion, (5,), f"camera {self.name}: distortion")
        object.__setattr__(self, "distortion", distortion)
        if self.K_px[0, 0] <= 0 or self.K_px[1, 1] <= 0:
            raise BadInput(f"camera {self.name}: want positive focal lengths, got {np.diag(self.K_px)[:2]}")
        if self.K_px[0, 1] != 0 or tuple(self.K_px[2]) != (0.0, 0.0, 1.0) or self.K_px[1, 0] != 0:
            raise BadInput(f"camera {self.name}: K_px: want [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]")
        if min(self.size_px) <= 0:
            raise BadInput(f"camera {self.name}: size_px: want positive width and height, got {self.size_px}")
        if self.cam_from_world.dst != f"cam_{self.name}":
            raise FrameMismatch(
                f"camera {self.name}: want a pose cam_{self.name}_from_…, "
                f"got {self.cam_from_world.dst}_from_{self.cam_from_world.src}"
            )

    @property
    def world(self) -> str:
        """Name of the frame that the camera stands in."""
        return self.cam_from_world.src

    def centre_m(self) -> Array:
        """Optical centre (3,) in the world frame, metres."""
        return self.cam_from_world.inverse().t_m

    def placed(self, cam_from_world: Rigid) -> Camera:
        """The same lens at another pose."""
        return replace(self, cam_from_world=cam_from_world)

    def depth_m(self, x_world_m: Array) -> Array:
        """Distance (...,) of points (..., 3) in front of the camera along its axis; negative behind it."""
        return np.asarray(self.cam_from_world.apply(x_world_m)[..., 2])

    def project(self, x_world_m: Array) -> Array:
        """Pixels (..., 2) of world points (..., 3). NaN where a point is not in front of the camera."""
        c = self.cam_from_world.apply(np.asarray(x_world_m, dtype=float))
        z = np.where(c[..., 2] > 1e-6, c[..., 2], np.nan)
        distorted, _ = self._distort(c[..., :2] / z[..., None])
        return np.asarray(distorted * np.diag(self.K_px)[:2] + self.K_px[:2, 2])

    def project_with_jacobian(self, x_world_m: Array) -> tuple[Array, Array]:
        """Pixels (..., 2) and their derivative with respect to the world point, (..., 2, 3), px/m."""
        uv, by_point, _ = self.project_all(x_world_m)
        return uv, by_point

    def project_with_parameter_jacobian(self, x_world_m: Array) -> tuple[Array, Array]:
        """Pixels (..., 2) and their derivative with respect to PARAMETERS, (..., 2, 15)."""
        uv, _, by_parameter = self.project_all(x_world_m)
        return uv, by_parameter

    def project_all(self, x_world_m: Array) -> tuple[Array, Array, Array]:
        """Pixels (..., 2), their derivative by the world point (..., 2, 3) and by PARAMETERS (..., 2, 15)."""
        c = self.cam_from_world.apply(np.asarray(x_world_m, dtype=float))
        z = np.where(c[..., 2] > 1e-6, c[..., 2], np.nan)
        n = c[..., :2] / z[..., None]
        d, d_by_n = self._distort(n)
        f = np.diag(self.K_px)[:2]
        uv = d * f + self.K_px[:2, 2]

        n_by_c = np.zeros((*n.shape, 3))
        n_by_c[..., 0, 0] = n_by_c[..., 1, 1] = 1 / z
        n_by_c[..., :, 2] = -n / z[..., None]
        uv_by_c = f[:, None] * (d_by_n @ n_by_c)
        by_point = uv_by_c @ self.cam_from_world.R

        by_parameter = np.zeros((*n.shape, 15))
        by_parameter[..., 0, 0] = d[..., 0]
        by_parameter[..., 1, 1] = d[..., 1]
        by_parameter[..., 0, 2] = by_parameter[..., 1, 3] = 1.0
        by_parameter[..., :, 4:9] = f[:, None] * _distortion_by_terms(n)
        # exp(r) (R x + t) with t held: only the rotated part R x turns with r
        rotated = c - self.cam_from_world.t_m
        by_parameter[..., :, 9:12] = -uv_by_c @ _cross_matrix(rotated)
        by_parameter[..., :, 12:15] = uv_by_c
        return uv, by_point, by_parameter

    def _distort(self, n: Array) -> tuple[Array, Array]:
        """Distorted normalised coordinates and their derivative (..., 2, 2)."""
        k1, k2, p1, p2, k3 = self.distortion
        x, y = n[..., 0], n[..., 1]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        radial_by_r2 = k1 + r2 * (2 * k2 + 3 * k3 * r2)
        out = np.stack(
            [
                x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
                y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
            ],
            axis=-1,
        )
        cross = 2 * x * y * radial_by_r2 + 2 * p1 * x + 2 * p2 * y
        jac = np.stack(
            [
                np.stack([radial + 2 * x * x * radial_by_r2 + 2 * p1 * y + 6 * p2 * x, cross], axis=-1),
                np.stack([cross, radial + 2 * y * y * radial_by_r2 + 6 * p1 * y + 2 * p2 * x], axis=-1),
            ],
            axis=-2,
        )
        return out, jac

    def normalised(self, uv_px: Array) -> Array:
        """Pixels (..., 2) to undistorted normalised coordinates (..., 2), by Newton's method.

        NaN where no undistorted point maps to the pixel (outside the lens model's reach).
        """
        target = (np.asarray(uv_px, dtype=float) - self.K_px[:2, 2]) / np.diag(self.K_px)[:2]
        n = np.array(target)
        for _ in range(_UNDISTORT_STEPS):
            d, jac = self._distort(n)
            step = _solved_2x2(jac, d - target)
            n = n - step
            if np.abs(step).max(initial=0.0) < 1e-12:
                break
        miss = np.abs(self._distort(n)[0] - target).max(axis=-1)
        return np.asarray(np.where((miss < 1e-9)[..., None], n, np.nan))

    def rays(self, uv_px: Array) -> Array:
        """Unit directions (..., 3) in the world frame through pixels (..., 2)."""
        n = self.normalised(uv_px)
        d = np.concatenate([n, np.ones((*n.shape[:-1], 1))], axis=-1)
        d = d / np.linalg.norm(d, axis=-1, keepdims=True)
        return np.asarray(d @ self.cam_from_world.R)


def _solved_2x2(m: Array, v: Array) -> Array:
    """m⁻¹ v for (..., 2, 2) and (..., 2), written out: much faster than a general solver. 0 if singular."""
    a, b, c, d = m[..., 0, 0], m[..., 0, 1], m[..., 1, 0], m[..., 1, 1]
    det = a * d - b * c
    adjugate = np.stack([d * v[..., 0] - b * v[..., 1], a * v[..., 1] - c * v[..., 0]], axis=-1)
    usable = np.isfinite(det) & (np.abs(det) > 1e-12)
    return np.asarray(np.where(usable[..., None], adjugate / np.where(usable, det, 1.0)[..., None], 0.0))


def _distortion_by_terms(n: Array) -> Array:
    """Derivative (..., 2, 5) of the distorted coordinates with respect to k1 k2 p1 p2 k3."""
    x, y = n[..., 0], n[..., 1]
    r2 = x * x + y * y
    xy2 = 2 * x * y
    rows = [
        [x * r2, x * r2**2, xy2, r2 + 2 * x * x, x * r2**3],
        [y * r2, y * r2**2, r2 + 2 * y * y, xy2, y * r2**3],
    ]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def _cross_matrix(v: Array) -> Array:
    """(..., 3, 3) matrix of v × ·."""
    m = np.zeros((*v.shape, 3))
    m[..., 0, 1], m[..., 0, 2] = -v[..., 2], v[..., 1]
    m[..., 1, 0], m[..., 1, 2] = v[..., 2], -v[..., 0]
    m[..., 2, 0], m[..., 2, 1] = -v[..., 1], v[..., 0]
    return m
