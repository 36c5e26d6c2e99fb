"""A camera: focal lengths, centre and lens model, placed in a frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array, checked
from calibration.errors import BadInput, FrameMismatch
from calibration.geometry.lens_models import SLOTS, LensModel, lens_model
from calibration.geometry.rigid import Rigid
from calibration.geometry.undistort import undistorted

PARAMETERS = (
    "fx_px", "fy_px", "cx_px", "cy_px", "d1", "d2", "d3", "d4", "d5", "d6", "d7", "d8",
    "rx_rad", "ry_rad", "rz_rad", "tx_m", "ty_m", "tz_m",
)  # fmt: skip
"""Order of a camera's 18 parameters in every covariance. d1…d8 are the lens model's terms in its own order;
slots that a model does not use have no variance. The rotation parameters are a small rotation vector applied
on the left (in the camera frame), cam_from_world → exp(r) · cam_from_world; t is its t_m."""

N_CAMERA = len(PARAMETERS)
N_LENS = 4 + SLOTS
TURN, SHIFT, POSE = slice(N_LENS, N_LENS + 3), slice(N_LENS + 3, N_CAMERA), slice(N_LENS, N_CAMERA)
"""Where a camera's rotation, its translation, and both stand among PARAMETERS."""


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """One calibrated camera.

    size_px     (width, height); pixel centres are at integers, (0, 0) is the centre of the top-left pixel
    K_px        (3, 3) [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]
    distortion  the model's terms, no unit, in OpenCV's order and meaning: (5,) for radial5
    cam_from_world  pose; its src is "rig" before the court is registered and "court" after
    model       name of the lens model, one of geometry.lens_models.LENS_MODELS
    """

    name: str
    size_px: tuple[int, int]
    K_px: Array
    distortion: Array
    cam_from_world: Rigid
    model: str = "radial5"

    def __post_init__(self) -> None:
        object.__setattr__(self, "K_px", checked(self.K_px, (3, 3), f"camera {self.name}: K_px"))
        distortion = checked(self.distortion, (len(self.lens_model.terms),), f"camera {self.name}: distortion")
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
    def lens_model(self) -> LensModel:
        """The formulas behind `model`."""
        return lens_model(self.model)

    def lens_vector(self) -> Array:
        """The first N_LENS of PARAMETERS (12,): focal lengths, centre, terms; zeros in unused slots."""
        k, out = self.K_px, np.zeros(N_LENS)
        out[:4] = k[0, 0], k[1, 1], k[0, 2], k[1, 2]
        out[4 : 4 + len(self.distortion)] = self.distortion
        return out

    def with_lens(self, lens: Array, cam_from_world: Rigid | None = None) -> Camera:
        """The camera with another lens vector (12,), and another pose if one is given."""
        K = np.array([[lens[0], 0.0, lens[2]], [0.0, lens[1], lens[3]], [0.0, 0.0, 1.0]])
        terms = lens[4 : 4 + len(self.lens_model.terms)]
        return replace(self, K_px=K, distortion=terms, cam_from_world=cam_from_world or self.cam_from_world)

    def used_parameters(self) -> NDArray[np.bool_]:
        """(18,) True for the parameters that the lens model has."""
        used = np.ones(N_CAMERA, dtype=bool)
        used[4 + len(self.lens_model.terms) : N_LENS] = False
        return used

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
        distorted, _ = self.lens_model.distort(c[..., :2] / z[..., None], self.distortion)
        return np.asarray(distorted * np.diag(self.K_px)[:2] + self.K_px[:2, 2])

    def project_with_jacobian(self, x_world_m: Array) -> tuple[Array, Array]:
        """Pixels (..., 2) and their derivative with respect to the world point, (..., 2, 3), px/m."""
        uv, by_point, _ = self.project_all(x_world_m)
        return uv, by_point

    def project_with_parameter_jacobian(self, x_world_m: Array) -> tuple[Array, Array]:
        """Pixels (..., 2) and their derivative with respect to PARAMETERS, (..., 2, 18)."""
        uv, _, by_parameter = self.project_all(x_world_m)
        return uv, by_parameter

    def project_all(self, x_world_m: Array) -> tuple[Array, Array, Array]:
        """Pixels (..., 2), their derivative by the world point (..., 2, 3) and by PARAMETERS (..., 2, 18)."""
        c = self.cam_from_world.apply(np.asarray(x_world_m, dtype=float))
        z = np.where(c[..., 2] > 1e-6, c[..., 2], np.nan)
        n = c[..., :2] / z[..., None]
        d, d_by_n = self.lens_model.distort(n, self.distortion)
        f = np.diag(self.K_px)[:2]
        uv = d * f + self.K_px[:2, 2]

        n_by_c = np.zeros((*n.shape, 3))
        n_by_c[..., 0, 0] = n_by_c[..., 1, 1] = 1 / z
        n_by_c[..., :, 2] = -n / z[..., None]
        uv_by_c = f[:, None] * (d_by_n @ n_by_c)
        by_point = uv_by_c @ self.cam_from_world.R

        by_parameter = np.zeros((*n.shape, N_CAMERA))
        by_parameter[..., 0, 0] = d[..., 0]
        by_parameter[..., 1, 1] = d[..., 1]
        by_parameter[..., 0, 2] = by_parameter[..., 1, 3] = 1.0
        terms = slice(4, 4 + len(self.distortion))
        by_parameter[..., :, terms] = f[:, None] * self.lens_model.by_terms(n, self.distortion)
        # exp(r) (R x + t) with t held: only the rotated part R x turns with r
        rotated = c - self.cam_from_world.t_m
        by_parameter[..., :, TURN] = -uv_by_c @ _cross_matrix(rotated)
        by_parameter[..., :, SHIFT] = uv_by_c
        return uv, by_point, by_parameter

    def normalised(self, uv_px: Array) -> Array:
        """Pixels (..., 2) to undistorted normalised coordinates (..., 2).

        NaN where no undistorted point maps to the pixel, or only one beyond the lens model's reach, where the
        model bends back and what it says was never measured.
        """
        uv = np.asarray(uv_px, dtype=float)
        n, _ = undistorted(self.model, self.lens_vector(), uv.reshape(-1, 2))
        return n.reshape(uv.shape)

    def rays(self, uv_px: Array) -> Array:
        """Unit directions (..., 3) in the world frame through pixels (..., 2)."""
        n = self.normalised(uv_px)
        d = np.concatenate([n, np.ones((*n.shape[:-1], 1))], axis=-1)
        d = d / np.linalg.norm(d, axis=-1, keepdims=True)
        return np.asarray(d @ self.cam_from_world.R)


def _cross_matrix(v: Array) -> Array:
    """(..., 3, 3) matrix of v × ·."""
    m = np.zeros((*v.shape, 3))
    m[..., 0, 1], m[..., 0, 2] = -v[..., 2], v[..., 1]
    m[..., 1, 0], m[..., 1, 2] = v[..., 2], -v[..., 0]
    m[..., 2, 0], m[..., 2, 1] = -v[..., 1], v[..., 0]
    return m
