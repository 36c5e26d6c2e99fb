"""The colours of tape and ball in the light of one picture, from a pixel on each of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from recon.keypoints.markers import Image, MarkerOptions, hues_apart_deg

PARTS = ("tip", "throat", "butt", "ball", "edge")
SKIN_HUE_DEG = 20.0
"""Skin of every shade is a more or less dark orange; common practice, as in colour search for skin."""

_AROUND_PX = 40  # half the side of the square that a patch is taken from, in a picture 720 pixels high
_SEED_PX = 1  # around the pixel that was named: its colour is the middle one of nine
_LIKE_SEED_DEG = 20.0
_MARGIN, _LEAST_DEG, _MOST_DEG = 1.5, 8.0, 20.0  # of the tolerance, from the largest spread in a patch
_USUAL = MarkerOptions(hues_deg=(0.0, 0.0, 0.0, 0.0), tolerance_deg=_LEAST_DEG)


@dataclass(frozen=True, slots=True, eq=False)
class TapePatch:
    """One patch of tape, or the ball, as a picture shows it.

    hue_deg      middle of its pixels' hues on the colour circle, and spread_deg about it that holds 95 %
    saturation   middle of its pixels', 0 … 1;  value: likewise their brightest channel, grey levels
    inside       (H, W) its pixels
    """

    part: str
    hue_deg: float
    spread_deg: float
    saturation: float
    value: float
    inside: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class TapeHues:
    """What a session is told: hue per part, and how far a colour may differ; cautions: what may go wrong."""

    hues_deg: Mapping[str, float]
    tolerance_deg: float
    cautions: tuple[str, ...]


def circular_middle_deg(hues_deg: Array) -> float:
    """The hue that halves the others on the colour circle: their median about their mean direction."""
    angle = np.radians(hues_deg)
    mean = np.degrees(np.arctan2(np.sin(angle).mean(), np.cos(angle).mean()))
    return float((mean + np.median((hues_deg - mean + 180) % 360 - 180)) % 360)


def patch_at(picture_bgr: Image, part: str, at_px: Sequence[float]) -> TapePatch:
    """The patch of one colour that holds a pixel (u, v).

    Raises BadInput where the pixel is outside the picture, or lies on nothing bright and colourful enough to be
    found in a video.
    """
    height, width = picture_bgr.shape[:2]
    u, v = (round(float(x)) for x in at_px)
    if not (0 <= u < width and 0 <= v < height):
        raise BadInput(f"{part}: want a pixel inside the picture of {width}x{height}, got {u},{v}")
    reach = _reach_px(height)
    near = np.s_[max(v - reach, 0) : v + reach + 1, max(u - reach, 0) : u + reach + 1]
    hue, saturation, value = _hsv(picture_bgr[near])
    y, x = min(v, reach), min(u, reach)  # the pixel's own place among those near it
    seed = np.s_[max(y - _SEED_PX, 0) : y + _SEED_PX + 1, max(x - _SEED_PX, 0) : x + _SEED_PX + 1]
    _want_colour(part, float(np.median(saturation[seed])), float(np.median(value[seed])))
    middle = circular_middle_deg(hue[seed].ravel())
    alike = (hues_apart_deg(hue, middle) <= _LIKE_SEED_DEG) & _sure(saturation, value)
    _, labels = cv2.connectedComponents(alike.astype(np.uint8), connectivity=8)
    here = np.asarray(labels)[seed]
    if not here.any():
        raise BadInput(f"{part}: want a pixel on the tape, got {u},{v} beside it")
    taken = np.asarray(labels) == np.bincount(here[here > 0]).argmax()
    if taken.sum() < _USUAL.min_area_px:
        raise BadInput(
            f"{part}: want a patch of {_USUAL.min_area_px} pixels or more at {u},{v}, got {int(taken.sum())}: "
            "too small or too blurred to be found in a video; more tape, or a picture that shows it larger"
        )
    own = circular_middle_deg(hue[taken])
    spread = float(np.percentile(hues_apart_deg(hue[taken], own), 95))
    inside = np.zeros((height, width), dtype=bool)
    inside[near] = taken
    return TapePatch(
        part, own, spread, float(np.median(saturation[taken])), float(np.median(value[taken])), inside
    )


def _reach_px(height: int) -> int:
    """How far from the pixel a patch may go, in a picture so high."""
    return int(_AROUND_PX * max(height / 720, 1.0))


def _hsv(picture_bgr: Image) -> tuple[Array, Array, Array]:
    """Hues in degrees, saturations 0 … 1 and values in grey levels, (H, W) each."""
    hsv = np.asarray(cv2.cvtColor(picture_bgr, cv2.COLOR_BGR2HSV_FULL)).astype(float)
    return hsv[..., 0] * (360 / 256), hsv[..., 1] / 255, hsv[..., 2]


def _sure(saturation: Array, value: Array) -> NDArray[np.bool_]:
    """Where a hue is sure enough to be found in a video."""
    return np.asarray((saturation >= _USUAL.min_saturation) & (value >= _USUAL.min_value))


def _want_colour(part: str, saturation: float, value: float) -> None:
    if value < _USUAL.min_value:
        raise BadInput(
            f"{part}: want a brightness of {_USUAL.min_value} of 255 or more, got {value:.0f}: too dark to be "
            "found in a video; more light, or another pixel"
        )
    if saturation < _USUAL.min_saturation:
        raise BadInput(
            f"{part}: want a saturation of {_USUAL.min_saturation:.0%} or more, got {saturation:.0%}: too pale "
            "to be found in a video; other tape, other light, or another pixel"
        )


def tape_hues(patches: Sequence[TapePatch], kept_deg: Mapping[str, float]) -> TapeHues:
    """What to tell a session, given measured patches and the hues it keeps for parts that were not shown.

    Two patches of the edges count as one colour. The tolerance is half as much again as the most uneven patch,
    from 8 to 20 degrees. Raises BadInput where two colours are not that far apart from each other.
    """
    measured: dict[str, float] = {}
    for part in PARTS:
        own = [p.hue_deg for p in patches if p.part == part]
        if own:
            measured[part] = round(circular_middle_deg(np.array(own)), 1) % 360
    hues = {part: measured.get(part, kept_deg.get(part)) for part in PARTS}
    told = {part: hue for part, hue in hues.items() if hue is not None}
    uneven = max(p.spread_deg + hues_apart_deg(p.hue_deg, measured[p.part]) for p in patches)
    tolerance = round(float(np.clip(_MARGIN * uneven, _LEAST_DEG, _MOST_DEG)), 1)
    for a, b in combinations(told, 2):
        apart = hues_apart_deg(told[a], told[b])
        if apart < 2 * tolerance:
            got = [f"{x} at {told[x]:.0f}°" + ("" if x in measured else " (kept, not shown)") for x in (a, b)]
            raise BadInput(
                f"tape: want colours {2 * tolerance:.0f}° apart on the colour circle in this light, got "
                f"{' and '.join(got)}: other tape, or more even light"
            )
    return TapeHues(told, tolerance, tuple(_near_skin(told, tolerance)))


def _near_skin(told: Mapping[str, float], tolerance: float) -> list[str]:
    return [
        f"the {part}'s hue of {hue:.0f}° is close to skin's, near {SKIN_HUE_DEG:.0f}°: hands and face will be "
        "taken for it where they are large and bright; another colour does better"
        for part, hue in told.items()
        if hues_apart_deg(hue, SKIN_HUE_DEG) < 2 * tolerance
    ]


def alike_elsewhere(picture_bgr: Image, patches: Sequence[TapePatch], tolerance_deg: float) -> tuple[str, ...]:
    """A caution per part whose colour the picture shows elsewhere, in a patch that could be taken for it."""
    hues, saturation, value = _hsv(picture_bgr)
    sure = _sure(saturation, value)
    most = _USUAL.max_area_px * max((picture_bgr.shape[0] / 720) ** 2, 1.0)
    out = []
    for part in dict.fromkeys(p.part for p in patches):
        own = [p for p in patches if p.part == part]
        hue = circular_middle_deg(np.array([p.hue_deg for p in own]))
        alike = sure & (hues_apart_deg(hues, hue) <= tolerance_deg)
        taken = np.any([p.inside for p in own], axis=0)
        _, labels = cv2.connectedComponents(alike.astype(np.uint8), connectivity=8)
        area = np.bincount(np.asarray(labels)[alike & ~_touching(np.asarray(labels), taken)])
        area = area[(area >= max(_USUAL.min_area_px, 0.5 * min(p.inside.sum() for p in own))) & (area <= most)]
        if len(area):
            out.append(
                f"the picture shows the {part}'s colour elsewhere too (patches: {len(area)}): what stands "
                "still does no harm, clothes and shoes do"
            )
    return tuple(out)


def goes_on(patches: Sequence[TapePatch]) -> tuple[str, ...]:
    """A caution per patch that reaches from end to end of the square it may lie in: hardly tape."""
    out = []
    for patch in patches:
        across = 2 * _reach_px(patch.inside.shape[0])
        if max(np.ptp(places) for places in np.nonzero(patch.inside)) >= across:
            out.append(
                f"what was taken for the {patch.part} is {across} pixels long or longer: it may be "
                "court or clothes rather than tape"
            )
    return tuple(out)


def _touching(labels: NDArray[np.int32], taken: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """All pixels of components that hold a taken pixel."""
    return np.asarray(np.isin(labels, np.unique(labels[taken & (labels > 0)])))


def drawn(picture_bgr: Image, patches: Sequence[TapePatch]) -> Image:
    """The picture, darkened but for what was taken as tape, each patch ringed and named."""
    out = (picture_bgr * 0.45).astype(np.uint8)
    for patch in patches:
        out[patch.inside] = picture_bgr[patch.inside]
    for patch in patches:
        v, u = (float(x.mean()) for x in np.nonzero(patch.inside))
        radius = int(6 + np.sqrt(patch.inside.sum()))
        colour = tuple(int(c) for c in picture_bgr[patch.inside].mean(axis=0))
        cv2.circle(out, (round(u), round(v)), radius, (255, 255, 255), 1, cv2.LINE_AA)
        words = f"{patch.part} {patch.hue_deg:.0f} deg, spread {patch.spread_deg:.0f}"
        at = (round(u) + radius + 6, round(v) + 5)
        cv2.rectangle(out, (at[0], at[1] - 12), (at[0] + 12, at[1]), colour, -1)
        cv2.putText(
            out, words, (at[0] + 18, at[1]), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (255, 255, 255), 1, cv2.LINE_AA
        )
    return out
