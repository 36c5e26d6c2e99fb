"""What a calibrated rig's covariance means for points in the serve volume."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.checks import Array
from calibration.court.model import Volume
from calibration.errors import NotMeasurable
from calibration.geometry.camera import N_CAMERA, Camera


def point_covariance_m2(
    cameras: Sequence[Camera], covariance: Array, x_m: Array, pixel_u_px: float = 1.0
) -> Array:
    """Covariance (3, 3) m² of the point x_m (3,) triangulated from exact pixels: what calibration alone adds.

    Cameras that do not have the point in their picture take no part. pixel_u_px only sets the cameras' relative
    weights (equal sigmas), as triangulation would. Raises NotMeasurable where fewer than two see it.
    """
    information = np.zeros((3, 3))
    pull = np.zeros((3, N_CAMERA * len(cameras)))
    n_seen = 0
    for i, camera in enumerate(cameras):
        uv, by_point, by_camera = camera.project_all(x_m)
        if not sees(camera, uv):
            continue
        n_seen += 1
        information += by_point.T @ by_point / pixel_u_px**2
        pull[:, N_CAMERA * i : N_CAMERA * (i + 1)] = by_point.T @ by_camera / pixel_u_px**2
    if n_seen < 2:
        raise NotMeasurable(f"the point {np.round(x_m, 2).tolist()} m is seen by {n_seen} camera(s), want two")
    gain = np.linalg.solve(information, pull)
    return np.asarray(gain @ covariance @ gain.T)


def sees(camera: Camera, uv_px: Array) -> bool:
    """True where a pixel (2,) lies in the camera's picture."""
    return bool(
        np.isfinite(uv_px).all() and (uv_px > -0.5).all() and (uv_px < np.array(camera.size_px) - 0.5).all()
    )


def u_over_volume(cameras: Sequence[Camera], covariance: Array, volume: Volume) -> tuple[Array, Array]:
    """Grid points (N, 3) of the volume and, for each, the root of summed axis variances (N,) m.

    NaN where fewer than two cameras see the point.
    """
    grid = volume.grid_m()
    out = np.full(len(grid), np.nan)
    for k, x in enumerate(grid):
        try:
            out[k] = np.sqrt(np.trace(point_covariance_m2(cameras, covariance, x)))
        except NotMeasurable:
            continue
    return grid, out


def worst_u_over_volume(cameras: Sequence[Camera], covariance: Array, volume: Volume) -> float | None:
    """The largest of u_over_volume, m; None where no point is seen by two cameras."""
    _, u = u_over_volume(cameras, covariance, volume)
    return None if np.isnan(u).all() else float(np.nanmax(u))


BASELINE_REACH_M = 1.5
"""How far to each side of the centre mark baseline_u_m looks: where a server stands."""


def baseline_u_m(cameras: Sequence[Camera], covariance: Array) -> float | None:
    """Standard uncertainty, m, across the baseline (court y) of a point on the ground at its rear edge.

    The point is triangulated from exact pixels, so this is what calibration and court registration leave open:
    the largest of five places within BASELINE_REACH_M of the centre mark. None where no two cameras see one.
    """
    out = []
    for x in np.linspace(-BASELINE_REACH_M, BASELINE_REACH_M, 5):
        try:
            out.append(float(point_covariance_m2(cameras, covariance, np.array([x, 0.0, 0.0]))[1, 1]))
        except NotMeasurable:
            continue
    return float(np.sqrt(max(out))) if out else None
