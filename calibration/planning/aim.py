"""A camera as it is planned: a lens, a place, and a point that it looks at."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid


def focal_of_view_px(width_px: int, view_rad: float) -> float:
    """Focal length, px, of a lens without distortion whose picture spans this horizontal angle."""
    return float(width_px / 2 / np.tan(view_rad / 2))


def aimed_camera(
    name: str, size_px: tuple[int, int], focal_px: float, place_m: ArrayLike, look_at_m: ArrayLike
) -> Camera:
    """An upright camera at place_m (3,), its axis through look_at_m (3,), both in the court frame.

    Its lens is free of distortion: a plan knows no better, and what a calibration can tell of the lens hardly
    depends on it. Raises BadInput where the camera would look straight up or down, or at its own place.
    """
    K = np.array([[focal_px, 0, (size_px[0] - 1) / 2], [0, focal_px, (size_px[1] - 1) / 2], [0, 0, 1.0]])
    return Camera(name, size_px, K, np.zeros(5), Rigid.aimed(name, place_m, look_at_m))
