"""The yardstick of the study's errors: how tall the player is in a clip's pictures."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array


def apparent_height_px(body_uv_px: Array) -> float:
    """Player's height in a clip's pictures: median over frames (T, 27, 2) of the points' vertical extent."""
    seen = ~np.isnan(body_uv_px[..., 0]).any(axis=1)
    return float(np.median(np.ptp(body_uv_px[seen][..., 1], axis=1)))
