"""A picture made ready for sub-pixel work: smoothed grey values, and where the sensor cut them off."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array

SMOOTHING_PX = 1.0  # sampled pictures hold detail up to half a cycle per pixel, which interpolation spoils
_CUT_LEVEL = 248  # of 255; compression lets cut-off white waver a little


@dataclass(frozen=True, slots=True, eq=False)
class Grey:
    """values (H, W) smoothed; cut (H, W) 1 within a pixel of where a colour reached its top, else 0.

    A cut-off edge seems to lie farther out than it does: sunlit paint would look as if the camera had moved.
    """

    values: NDArray[np.float32]
    cut: NDArray[np.float32]


def smoothed(image_bgr: NDArray[np.uint8]) -> Grey:
    """The grey values of a picture (H, W, 3) BGR."""
    grey = cv2.cvtColor(image_bgr, cv2.COLOR_BGR2GRAY).astype(np.float32)
    # single pixels reach the top by noise; the median wants five of nine
    top = cv2.medianBlur(np.ascontiguousarray(image_bgr.max(axis=2)), 3) >= _CUT_LEVEL
    cut = cv2.dilate(top.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
    values = cv2.GaussianBlur(grey, (0, 0), SMOOTHING_PX)
    return Grey(np.asarray(values, dtype=np.float32), np.asarray(cut, dtype=np.float32))


def sampled_at(picture: NDArray[np.float32], at: Array) -> Array:
    """Values (N, P) at pixels (N, P, 2), cubic; NaN outside."""
    at32 = at.astype(np.float32)
    # a NaN border would do the same, but leaks into inner samples of some shapes (OpenCV 5.1)
    out = cv2.remap(
        picture, at32[..., 0], at32[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    ).astype(float)
    height, width = picture.shape
    inside = (at >= 0).all(axis=-1) & (at[..., 0] <= width - 1) & (at[..., 1] <= height - 1)
    return np.where(inside, out, np.nan)


def cut_off(grey: Grey, at: Array) -> NDArray[np.bool_]:
    """(N,) whether any of the pixels (N, P, 2) was cut off."""
    at32 = at.astype(np.float32)
    found = cv2.remap(grey.cut, at32[..., 0], at32[..., 1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found.max(axis=1) > 0)
