"""Bright tape on the racket and the ball: found by colour where the picture differs from the empty scene."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.records import EDGES, RACKET

Image = NDArray[np.uint8]
Places = NDArray[np.int64]
Chosen = NDArray[np.bool_]

MARKERS: tuple[str, ...] = (*RACKET, "ball", *EDGES)


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkerOptions:
    """What counts as tape or ball.

    hues_deg        colour of tip, throat, butt and ball, in the order of MARKERS
    ball_hues_deg   further ones that the ball may have: a stage ball's second colour
    edge_hue_deg    colour of the tape on both sides of the head; None where there is none
    tolerance_deg   half width in hue
    min_difference  grey levels by which a pixel must differ from the empty scene (noise is 2–3)
    min_increase    and by which one of its channels must be above the scene's: a shadow only darkens
    min_value       grey levels of its brightest channel: dark pixels have no sure hue
    min_saturation  0 … 1, of the pixel's own colour; blur mixes tape with what lies behind it
    min_area_px, max_area_px  of a connected patch in a picture 720 pixels high; larger pictures, larger patches
    """

    hues_deg: tuple[float, float, float, float]
    tolerance_deg: float
    edge_hue_deg: float | None = None
    min_difference: int = 30
    min_increase: int = 12
    min_value: int = 90
    min_saturation: float = 0.40
    min_area_px: int = 4
    max_area_px: int = 400
    ball_hues_deg: tuple[float, ...] = ()


def find_markers(
    image_bgr: Image, scene_bgr: Image, region: tuple[int, int, int, int], options: MarkerOptions
) -> tuple[Array, Array]:
    """Pixels (6, 2) and sigma (6,) of tip, throat, butt, ball, two edges; NaN where unseen.

    The edges are a pair: the larger patch comes first, which side of the head it is on is not told. region is
    (left, top, right, bottom) of the part of the picture that is searched.
    """
    left, top, right, bottom = region
    uv, sigma = np.full((len(MARKERS), 2), np.nan), np.full(len(MARKERS), np.nan)
    spots = _coloured(image_bgr[top:bottom, left:right], scene_bgr[top:bottom, left:right], options)
    most = options.max_area_px * max((image_bgr.shape[0] / 720) ** 2, 1.0)

    def fill(first: int, target: float, count: int) -> None:
        alike = spots.where(_near_hue(target, options.tolerance_deg)[spots.hue])
        for k, ((u, v), area) in enumerate(_largest(alike, options.min_area_px, most, count), start=first):
            uv[k] = (u + left, v + top)
            sigma[k] = marker_sigma_px(area)

    for k, target in enumerate(options.hues_deg):
        fill(k, target, 1)
    if options.edge_hue_deg is not None:
        fill(len(options.hues_deg), options.edge_hue_deg, len(EDGES))
    return uv, sigma


@dataclass(frozen=True, slots=True, eq=False)
class _Spots:
    """Some pixels of a picture: column, row, hue and saturation (N,) of each, row by row."""

    x: Places
    y: Places
    hue: Image
    saturation: Image

    def where(self, wanted: Chosen) -> _Spots:
        return _Spots(self.x[wanted], self.y[wanted], self.hue[wanted], self.saturation[wanted])


def _coloured(piece: Image, behind: Image, options: MarkerOptions) -> _Spots:
    """The pixels that are new in the scene and have a sure hue.

    Few are brighter than the scene in any channel: everything else is asked of those alone.
    """
    rise = np.asarray(cv2.subtract(piece, behind))
    at = np.flatnonzero(rise.reshape(-1) >= options.min_increase) // 3
    at = at[np.diff(at, prepend=-1) > 0]  # a pixel once, whichever of its channels rose
    y, x = np.divmod(at, piece.shape[1])
    seen, scene = piece[y, x], behind[y, x]
    new = (np.maximum(seen, scene) - np.minimum(seen, scene)).max(axis=1) >= options.min_difference
    x, y, seen = x[new], y[new], seen[new]
    if not len(seen):
        return _Spots(x, y, seen[:, 0], seen[:, 0])
    hsv = np.asarray(cv2.cvtColor(seen[np.newaxis], cv2.COLOR_BGR2HSV_FULL), dtype=np.uint8)[0]
    sure = (hsv[:, 1] >= round(255 * options.min_saturation)) & (hsv[:, 2] >= options.min_value)
    return _Spots(x, y, hsv[:, 0], hsv[:, 1]).where(sure)


def hues_apart_deg(hues_deg: Array | float, other_deg: float) -> Array:
    """Distances on the colour circle, 0 to 180."""
    return np.asarray(np.abs((hues_deg - other_deg + 180) % 360 - 180))


@cache
def _near_hue(target_deg: float, tolerance_deg: float) -> Chosen:
    """(256,) table: whether a hue of OpenCV's full circle lies near the wanted one."""
    return np.asarray(hues_apart_deg(np.arange(256.0) * (360 / 256), target_deg) <= tolerance_deg)


def marker_sigma_px(area_px: float) -> float:
    """Standard uncertainty per axis of a patch's middle, px, from its area.

    Half a pixel, and more where the patch is large: its far edge may be hidden or unevenly lit.
    """
    return float(np.hypot(0.5, 0.08 * np.sqrt(area_px)))


def _largest(spots: _Spots, least: float, most: float, count: int) -> list[tuple[tuple[float, float], float]]:
    """Middles (by saturation) and areas of the largest patches of at least and at most so many pixels."""
    if not len(spots.x):
        return []
    left, top = spots.x.min() - 1, spots.y.min() - 1  # a margin to grow into
    mask = np.zeros((spots.y.max() - top + 2, spots.x.max() - left + 2), np.uint8)
    mask[spots.y - top, spots.x - left] = 255
    joined = cv2.dilate(mask, np.ones((3, 3), np.uint8))  # strings and frame cut a band into pieces
    _, labels = cv2.connectedComponents(joined, connectivity=8)
    patch = np.asarray(labels)[spots.y - top, spots.x - left]
    area = np.bincount(patch)
    area[(area < least) | (area > most)] = 0
    out = []
    for best in np.argsort(-area, kind="stable")[:count]:
        if area[best]:
            own = patch == best
            weight = spots.saturation[own].astype(float)
            u, v = (float((of[own] * weight).sum() / weight.sum()) for of in (spots.x, spots.y))
            out.append(((u, v), float(area[best])))
    return out
