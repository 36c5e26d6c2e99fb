"""A racket drawn before a textured wall, INVENTED: pictures in which it is known to a hundredth of a pixel."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import Array

Image = NDArray[np.uint8]


def wall(size_px: tuple[int, int], seed: int = 0) -> Image:
    """A grey wall with soft blotches, (H, W, 3)."""
    rng = np.random.default_rng(seed)
    w, h = size_px
    blotches = cv2.GaussianBlur(rng.normal(0, 1, (h, w)), (0, 0), 6)
    return np.repeat(np.clip(150 + 160 * blotches, 60, 230).astype(np.uint8)[..., None], 3, axis=2)


def with_racket(behind: Image, butt_px: Array, tip_px: Array, width: float = 0.4, noise: float = 1.5) -> Image:
    """A dark racket from butt to tip drawn before a picture; width of the head over its length.

    The head's far end is the tip exactly: strokes are drawn with 1/16 pixel steps and blurred edges.
    """
    out = behind.copy()
    axis = tip_px - butt_px
    across = np.array([-axis[1], axis[0]]) * width
    a = np.linspace(0, 2 * np.pi, 49)
    middle, half = butt_px + 0.75 * axis, 0.25 * axis
    head = middle + np.cos(a)[:, None] * half + np.sin(a)[:, None] * across / 2
    shaft = np.stack([butt_px, butt_px + 0.5 * axis])
    for line, thick in ((head, 4), (shaft, 5)):
        points = np.round(line * 16).astype(np.int32)
        cv2.polylines(out, [points.reshape(-1, 1, 2)], False, (35, 30, 30), thick, cv2.LINE_AA, shift=4)
    if not noise:
        return out
    rng = np.random.default_rng(int(1000 * abs(tip_px.sum())) % 2**31)
    grain = rng.normal(0, noise, out.shape)
    return np.asarray(np.clip(out + grain, 0, 255), dtype=np.uint8)


def swung(t: Array, turn_deg: float = 6.0, speed_px: float = 4.0) -> tuple[Array, Array]:
    """Butts and tips (N, 2) of a racket 110 px long that turns and moves on by so much a frame; t counts
    frames."""
    angle = np.radians(-80 + turn_deg * t)
    butt = np.stack([200 + speed_px * t, 260 + 0.05 * t**2], axis=1)
    return butt, butt + 110 * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def greys(pictures: Sequence[Image]) -> list[Image]:
    """The same as grey pictures (H, W)."""
    return [np.asarray(cv2.cvtColor(p, cv2.COLOR_BGR2GRAY), dtype=np.uint8) for p in pictures]
