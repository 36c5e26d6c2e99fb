"""What a sensor adds: shot and read noise, in the form in which a video encoder takes its pictures."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.checks import Array

_POOL = 1 << 22


class Sensor:
    """Turns a clean picture into a noisy I420 picture; seeded, so the same clip has the same noise.

    The noise of each pixel has variance shot_noise * level + read_noise^2 (grey levels of 8 bits): Poisson shot
    noise and Gaussian read noise after the camera's tone curve. Colour noise is a third of it, as after a
    camera's own colour smoothing. Normal deviates come from a pool, entered at a random place for every frame.
    """

    def __init__(self, shot_noise: float, read_noise: float, seed: int) -> None:
        self._rng = np.random.default_rng(seed)
        self._pool = self._rng.standard_normal(_POOL).astype(np.float32)
        levels = np.arange(256, dtype=np.float32)
        self._sigma = np.sqrt(shot_noise * levels + read_noise**2).astype(np.float32)

    def expose(self, picture_rgb: Array) -> Array:
        """(H, W, 3) uint8 red green blue, H and W even → (H * 3 / 2, W) uint8 planes Y, U, V."""
        yuv = np.asarray(cv2.cvtColor(picture_rgb, cv2.COLOR_RGB2YUV_I420))
        height = picture_rgb.shape[0]
        luma = yuv[:height]
        sigma = cv2.LUT(luma, self._sigma)
        noisy = luma + sigma * self._draw(luma.shape)
        colour = yuv[height:] + np.float32(self._sigma[110] / 3) * self._draw(yuv[height:].shape)
        return np.concatenate([_bytes(noisy), _bytes(colour)])

    def _draw(self, shape: tuple[int, ...]) -> Array:
        n = int(np.prod(shape))
        start = int(self._rng.integers(0, _POOL - n))
        return np.asarray(self._pool[start : start + n].reshape(shape))


def _bytes(x: Array) -> Array:
    return np.asarray(cv2.convertScaleAbs(np.maximum(x, 0)))


def to_bytes(colour: Array) -> Array:
    """[0, 1] floats to 8 bits, rounded."""
    return np.asarray(np.clip(colour * 255 + 0.5, 0, 255).astype(np.uint8))
