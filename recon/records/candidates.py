"""Patches of a picture that may be the ball: which one is, only all cameras and the flight tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput


@dataclass(frozen=True, slots=True, eq=False)
class BallCandidates:
    """Up to K patches in each of T frames of one camera, NaN where there are fewer.

    uv_px (T, K, 2) middles; sigma_px (T, K) u per axis; diameter_px (T, K) as it appears, across any blur
    colour (T, K)  0 to 1: how far its colour is the ball's
    """

    uv_px: Array
    sigma_px: Array
    diameter_px: Array
    colour: Array

    def __post_init__(self) -> None:
        uv = checked(self.uv_px, (None, None, 2), "ball candidates: uv_px", allow_nan=True)
        object.__setattr__(self, "uv_px", uv)
        for field in ("sigma_px", "diameter_px", "colour"):
            value = checked(getattr(self, field), uv.shape[:2], f"ball candidates: {field}", allow_nan=True)
            object.__setattr__(self, field, value)
        if np.any(np.isnan(uv).any(axis=2) != np.isnan(self.sigma_px)):
            raise BadInput("ball candidates: want sigma_px absent exactly where uv_px is")
