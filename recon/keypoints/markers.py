"""Bright tape on the racket and the ball: found by colour where the picture differs from the empty scene."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from cv2.typing import MatLike
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
    """The scene without what moves: the median (of an even number, the upper one) of pictures over the clip."""
    layers: list[MatLike] = list(pictures)
    # neighbours exchanged in turns until all is sorted: a tenth of the time of a partition along an axis
    for turn in range(len(layers)):
        for k in range(turn % 2, len(layers) - 1, 2):
            layers[k : k + 2] = cv2.min(layers[k], layers[k + 1]), cv2.max(layers[k], layers[k + 1])
    return np.asarray(layers[len(layers) // 2], dtype=np.uint8)


def find_markers(
    image_bgr: Image, scene_bgr: Image, region: tuple[int, int, int, int], options: MarkerOptions
) -> tuple[Array, Array]:
    """Pixels (4, 2) and sigma (4,) of tip, throat, butt and ball, NaN where one is not seen.

    region is (left, top, right, bottom) of the part of the picture that is searched.
    """
    left, top, right, bottom = region
    piece, behind = image_bgr[top:bottom, left:right], scene_bgr[top:bottom, left:right]
    uv, sigma = np.full((len(MARKERS), 2), np.nan), np.full(len(MARKERS), np.nan)
    changed = _beyond(cv2.absdiff(piece, behind), options.min_difference)
    changed = cv2.bitwise_and(changed, _beyond(cv2.subtract(piece, behind), options.min_increase))
    x, y, w, h = cv2.boundingRect(changed)
    if w == 0:
        return uv, sigma
    inner = np.s_[y : y + h, x : x + w]
    hsv = cv2.cvtColor(piece[inner], cv2.COLOR_BGR2HSV_FULL)
    least = (0, round(255 * options.min_saturation), options.min_value)
    coloured = cv2.bitwise_and(changed[inner], cv2.inRange(hsv, least, (255, 255, 255)))
    if not cv2.countNonZero(coloured):
        return uv, sigma
    hue, saturation = np.ascontiguousarray(hsv[..., 0]), hsv[..., 1]
    for k, target in enumerate(options.hues_deg):
        mask = cv2.bitwise_and(coloured, cv2.LUT(hue, _near_hue(target, options.tolerance_deg)))
        found = _best_patch(mask, saturation, options, (image_bgr.shape[0] / 720) ** 2)
        if found is not None:
            (u, v), area = found
            uv[k] = (u + left + x, v + top + y)
            sigma[k] = marker_sigma_px(area)
    return uv, sigma


def _beyond(image: MatLike, limit: int) -> MatLike:
    """255 where any channel reaches the limit."""
    return cv2.bitwise_not(cv2.inRange(image, (0, 0, 0), (limit - 1,) * 3))


@cache
def _near_hue(target_deg: float, tolerance_deg: float) -> Image:
    """(256,) table: 255 where a hue of OpenCV's full circle lies near the wanted one."""
    off = np.abs((np.arange(256) * (360 / 256) - target_deg + 180) % 360 - 180)
    return np.where(off <= tolerance_deg, 255, 0).astype(np.uint8)


def marker_sigma_px(area_px: float) -> float:
    """Standard uncertainty per axis of a patch's middle, px, from its area.

    Half a pixel, and more where the patch is large: its far edge may be hidden or unevenly lit.
    """
    return float(np.hypot(0.5, 0.08 * np.sqrt(area_px)))


def _best_patch(
    mask: MatLike, saturation: MatLike, options: MarkerOptions, area_scale: float
) -> tuple[tuple[float, float], float] | None:
    """Centre (weighted by saturation) and area of the largest patch of plausible size."""
    x0, y0, w0, h0 = cv2.boundingRect(mask)
    if w0 == 0:
        return None
    # a margin of one, so that a patch at the edge grows as it would in the whole picture
    x0, y0 = max(x0 - 1, 0), max(y0 - 1, 0)
    piece = np.s_[y0 : y0 + h0 + 2, x0 : x0 + w0 + 2]
    mask, saturation = mask[piece], saturation[piece]
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
        u, v = float((columns * weight).sum() / total), float((rows * weight).sum() / total)
        best = ((u + x0, v + y0), area)
    return best
