"""Bright tape on the racket and the ball: found by colour where the picture differs from the empty scene."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.records import RACKET

Image = NDArray[np.uint8]

MARKERS: tuple[str, ...] = (*RACKET, "ball")


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkerOptions:
    """What counts as tape or ball.

    hues_deg        colour of tip, throat, butt and ball, in the order of MARKERS
    tolerance_deg   half width in hue
    min_difference  grey levels by which a pixel must differ from the empty scene (noise is 2–3)
    min_increase    and by which one of its channels must be above the scene's: a shadow only darkens
    min_value       grey levels of its brightest channel: dark pixels have no sure hue
    min_saturation  0 … 1, of the pixel's own colour; blur mixes tape with what lies behind it
    min_area_px, max_area_px  of a connected patch in a picture 720 pixels high; larger pictures, larger patches
    """

    hues_deg: tuple[float, float, float, float]
    tolerance_deg: float
    min_difference: int = 30
    min_increase: int = 12
    min_value: int = 90
    min_saturation: float = 0.40
    min_area_px: int = 4
    max_area_px: int = 400


def empty_scene(pictures: list[Image]) -> Image:
    """The scene without what moves: the median of pictures spread over the clip."""
    return np.asarray(np.median(np.stack(pictures), axis=0), dtype=np.uint8)


def find_markers(
    image_bgr: Image, scene_bgr: Image, region: tuple[int, int, int, int], options: MarkerOptions
) -> tuple[Array, Array]:
    """Pixels (4, 2) and sigma (4,) of tip, throat, butt and ball, NaN where one is not seen.

    region is (left, top, right, bottom) of the part of the picture that is searched.
    """
    left, top, right, bottom = region
    piece, behind = image_bgr[top:bottom, left:right], scene_bgr[top:bottom, left:right]
    changed = cv2.absdiff(piece, behind).max(axis=2) >= options.min_difference
    changed &= cv2.subtract(piece, behind).max(axis=2) >= options.min_increase
    uv, sigma = np.full((len(MARKERS), 2), np.nan), np.full(len(MARKERS), np.nan)
    if not changed.any():
        return uv, sigma
    hsv = cv2.cvtColor(piece, cv2.COLOR_BGR2HSV_FULL)
    hue = hsv[..., 0].astype(np.float32) * (360 / 256)
    saturation = np.asarray(hsv[..., 1], dtype=np.uint8)
    coloured = (
        changed & (saturation >= round(255 * options.min_saturation)) & (hsv[..., 2] >= options.min_value)
    )
    for k, target in enumerate(options.hues_deg):
        off = np.abs((hue - target + 180) % 360 - 180)
        mask = (coloured & (off <= options.tolerance_deg)).astype(np.uint8)
        found = _best_patch(mask, saturation, options, (image_bgr.shape[0] / 720) ** 2)
        if found is not None:
            (u, v), area = found
            uv[k] = (u + left, v + top)
            sigma[k] = marker_sigma_px(area)
    return uv, sigma


def marker_sigma_px(area_px: float) -> float:
    """Standard uncertainty per axis of a patch's middle, px, from its area.

    Half a pixel, and more where the patch is large: its far edge may be hidden or unevenly lit.
    """
    return float(np.hypot(0.5, 0.08 * np.sqrt(area_px)))


def _best_patch(
    mask: Image, saturation: Image, options: MarkerOptions, area_scale: float
) -> tuple[tuple[float, float], float] | None:
    """Centre (weighted by saturation) and area of the largest patch of plausible size."""
    joined = cv2.dilate(mask, np.ones((3, 3), np.uint8))  # strings and frame cut a band into pieces
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    best: tuple[tuple[float, float], float] | None = None
    for label in range(1, count):
        x, y, w, h = stats[label, :4]
        inside = (labels[y : y + h, x : x + w] == label) & (mask[y : y + h, x : x + w] > 0)
        area = float(inside.sum())
        plausible = options.min_area_px <= area <= options.max_area_px * max(area_scale, 1.0)
        if not plausible or (best and area <= best[1]):
            continue
        weight = saturation[y : y + h, x : x + w] * inside
        rows, columns = np.mgrid[y : y + h, x : x + w]
        total = float(weight.sum())
        best = ((float((columns * weight).sum() / total), float((rows * weight).sum() / total)), area)
    return best
