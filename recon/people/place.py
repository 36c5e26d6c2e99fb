"""Where on the court a person stands, and how far that is from where servers do."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera

WIDE_M = 5.5  # half the court's width, doubles alleys included (Rules of Tennis: 10.97 m)
BEHIND_M, BEYOND_M = 0.8, 0.5  # where servers stand (common practice), the swing included
MAY_BEGIN_M = 2.5  # farther than that from there nobody begins to serve
AS_LIKELY_M = 0.4
STRAYED_M = 5.0  # nor ends: a jump, seen as a place on the ground, and a step into the court included
USUAL_M = 1.75  # of an adult, where a height is not told yet
HIPS_SHARE = 0.53  # of the height (anthropometry of standing adults, rounded)
_ABOVE_SHARE, _ASIDE_M = 0.60, 0.35  # a body's box about the hips, hands half raised


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


def body_boxes(camera: Camera, hips_m: Array, tall_m: float) -> Array:
    """(K, 3) where a camera sees upright bodies with hips (K, 3): middle u, v and larger extent, pixels.

    NaN where the middle is outside the picture.
    """
    away = hips_m - camera.centre_m()
    aside = np.stack([-away[:, 1], away[:, 0], 0 * away[:, 0]], axis=-1)
    aside *= _ASIDE_M / np.maximum(np.linalg.norm(aside, axis=1, keepdims=True), 1e-9)
    up = np.array([0.0, 0.0, tall_m])
    corners = [hips_m + s * aside + h * up for s in (-1, 1) for h in (-HIPS_SHARE, _ABOVE_SHARE)]
    uv = camera.project(np.stack(corners, axis=1))
    low, high = uv.min(axis=1), uv.max(axis=1)
    middle = (low + high) / 2
    with np.errstate(invalid="ignore"):
        inside = np.all((middle >= 0) & (middle < camera.size_px), axis=1)
    return np.where(inside[:, None], np.column_stack([middle, (high - low).max(axis=1)]), np.nan)
