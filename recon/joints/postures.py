"""A body as one camera sees it."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.detector_study import POSTURE
from recon.segments import Points


def postures(camera: Camera, points: Points, scale_m: float) -> Array:
    """(T, 17, 3) the points of POSTURE about the middle of the hips, as shares of the body's size.

    Axes: the picture's right, its down, and along the line of sight to the hips, so that a posture does not
    depend on where in the picture the player stands. scale_m: `body_scale_m`. NaN where a point is missing.
    """
    hips = points.middle("hip")
    sight = hips - camera.centre_m()
    sight = sight / np.linalg.norm(sight, axis=1, keepdims=True)
    right = camera.cam_from_world.R[0] - (sight @ camera.cam_from_world.R[0])[:, None] * sight
    right = right / np.linalg.norm(right, axis=1, keepdims=True)
    axes = np.stack([right, np.cross(sight, right), sight], axis=1)
    about = np.stack([points.of(name) for name in POSTURE], axis=1) - hips[:, None]
    return np.asarray(np.einsum("tij,tpj->tpi", axes, about) / scale_m)
