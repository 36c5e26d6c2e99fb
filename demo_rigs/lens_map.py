"""Between a camera's distorted pixels and a straight (pinhole) picture with the same K, finer by SCALE.

Everything that is not ray cast is drawn in the straight picture and looked up from there. The look-up uses
Camera.normalised, so a point drawn where a pinhole with the same K puts it lands where Camera.project says.
Pixel centres are at integers: sub-pixel k of pixel i lies at i + (k + 0.5) / SCALE - 0.5, in both pictures.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.interpolate import RectBivariateSpline

from calibration.checks import Array
from calibration.geometry import Camera

SCALE = 2
_COARSE_PX = 8  # the inverse lens map is smooth: computed on this grid and interpolated with cubics (< 1e-3 px)


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of whole pixels: left, top inclusive; right, bottom exclusive."""

    left: int
    top: int
    right: int
    bottom: int

    def slices(self) -> tuple[slice, slice]:
        """Rows and columns."""
        return slice(self.top, self.bottom), slice(self.left, self.right)

    def joined(self, other: Window) -> Window:
        """The smallest rectangle around both."""
        return Window(
            min(self.left, other.left), min(self.top, other.top),
            max(self.right, other.right), max(self.bottom, other.bottom),
        )  # fmt: skip

    def touches(self, other: Window) -> bool:
        """True if the two overlap."""
        return (
            self.left < other.right and other.left < self.right
            and self.top < other.bottom and other.top < self.bottom
        )  # fmt: skip


def window_around(uv_px: Array, size_px: tuple[int, int], margin_px: int) -> Window | None:
    """Window around pixels (N, 2) inside the picture, or None where nothing of it is visible."""
    uv = uv_px[(np.abs(uv_px) < 1e6).all(axis=-1)]  # also without NaN, and points almost beside the camera
    if len(uv) == 0:
        return None
    low = np.floor(uv.min(axis=0)).astype(int) - margin_px
    high = np.ceil(uv.max(axis=0)).astype(int) + margin_px + 1
    left, top = max(int(low[0]), 0), max(int(low[1]), 0)
    right, bottom = min(int(high[0]), size_px[0]), min(int(high[1]), size_px[1])
    return Window(left, top, right, bottom) if left < right and top < bottom else None


class LensMap:
    """Straight-picture pixel of every distorted sub-pixel of one camera."""

    def __init__(self, camera: Camera) -> None:
        width, height = camera.size_px
        self.camera = camera
        self.straight_px = _inverse_map(camera, width, height)  # (H * SCALE, W * SCALE, 2) float32

    def straight_window(self, w: Window) -> Window:
        """The part of the straight picture that a window of the distorted one needs; may reach outside."""
        part = self.straight_px[w.top * SCALE : w.bottom * SCALE, w.left * SCALE : w.right * SCALE]
        border = np.concatenate([part[0], part[-1], part[:, 0], part[:, -1]])
        low, high = np.floor(border.min(axis=0)).astype(int) - 2, np.ceil(border.max(axis=0)).astype(int) + 3
        return Window(int(low[0]), int(low[1]), int(high[0]), int(high[1]))

    def bend(self, straight: Array, at: Window, into: Window) -> Array:
        """Looks a window of the distorted picture up from a fine straight picture of `at`, averaged per pixel.

        straight: (at height * SCALE, at width * SCALE[, C]) uint8 or float32.
        """
        part = self.straight_px[into.top * SCALE : into.bottom * SCALE, into.left * SCALE : into.right * SCALE]
        corner = np.array([at.left, at.top], dtype=np.float32)
        where = (part - corner + np.float32(0.5)) * np.float32(SCALE) - np.float32(0.5)
        fine = cv2.remap(
            straight, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
        )
        size = (into.right - into.left, into.bottom - into.top)
        return np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA))


def _inverse_map(camera: Camera, width: int, height: int) -> Array:
    """Undistorted pixels of all sub-pixels, by cubic interpolation of an exact coarse grid."""
    u = np.arange(-_COARSE_PX, width + 2 * _COARSE_PX, _COARSE_PX, dtype=float)
    v = np.arange(-_COARSE_PX, height + 2 * _COARSE_PX, _COARSE_PX, dtype=float)
    n = camera.normalised(np.stack(np.meshgrid(u, v), axis=-1))
    exact = n * np.diag(camera.K_px)[:2] + camera.K_px[:2, 2]
    fine_u = (np.arange(width * SCALE) + 0.5) / SCALE - 0.5
    fine_v = (np.arange(height * SCALE) + 0.5) / SCALE - 0.5
    parts = [RectBivariateSpline(v, u, exact[..., k])(fine_v, fine_u) for k in (0, 1)]
    return np.stack(parts, axis=-1).astype(np.float32)
