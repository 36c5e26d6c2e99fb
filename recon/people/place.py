"""Where on the court a person stands, and how far that is from where servers do."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera

WIDE_M = 5.5  # half the court's width, doubles alleys included (Rules of Tennis: 10.97 m)
BEHIND_M, BEYOND_M = 0.8, 0.5  # where servers stand (common practice), the swing included
MAY_BEGIN_M = 2.5  # farther than that from there nobody begins to serve
AS_LIKELY_M = 0.4


def away_m(xy_m: Array) -> Array:
    """(...,) how far places (..., 2) are from where a server stands; infinite where there is no place."""
    x, y = np.asarray(xy_m)[..., 0], np.asarray(xy_m)[..., 1]
    away = np.max([abs(x) - WIDE_M, -y - BEHIND_M, y - BEYOND_M, np.zeros_like(x)], axis=0)
    return np.asarray(np.where(np.isfinite(away), away, np.inf))


def on_level(camera: Camera, uv_px: Array, z_m: float = 0.0) -> Array:
    """(..., 3) where the rays of pixels (..., 2) come down to a height above the court; NaN where they do not.

    camera: in the court frame.
    """
    rays, centre = camera.rays(uv_px), camera.centre_m()
    down = rays[..., 2:]
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.where(down < -1e-6, (z_m - centre[2]) / down, np.nan)
    return np.asarray(centre + np.where(along > 0, along, np.nan) * rays)
