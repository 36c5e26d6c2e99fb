"""Patches of a picture that may be the ball: new in the scene, of a ball's size, the ball's colours first."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from recon.keypoints.markers import marker_sigma_px
from recon.records import BallCandidates

Image = NDArray[np.uint8]

MOST_BALLS = 5
"""Patches kept of a picture: ball, racket tape, a ball that was dropped, and two that are none."""

_NEAR = np.ones((3, 3), np.uint8)
_FIELDS = 5  # of a patch: u, v, sigma, diameter, colour


NO_BALLS = np.full((MOST_BALLS, _FIELDS), np.nan)
NO_BALLS.flags.writeable = False


@dataclass(frozen=True, kw_only=True, slots=True)
class BallOptions:
    """What may be a ball.

    hues_deg         of its cover; tolerance_deg: half width
    min_difference   grey levels by which a pixel must differ from the empty scene (noise is 2–3)
    min_saturation   0 to 1: felt in the sun is pale, in the shade dark
    size             a patch's diameter over the expected one: half hidden, or drawn out by blur
    body_per_ball    the player's extent over a ball's diameter: 1.7 m (common practice) over 67 mm
    """

    hues_deg: tuple[float, ...]
    tolerance_deg: float = 18.0
    min_difference: int = 24
    min_saturation: float = 0.25
    size: tuple[float, float] = (0.35, 3.0)
    body_per_ball: float = 25.0

    def __post_init__(self) -> None:
        if not self.hues_deg or not 0 < self.size[0] < self.size[1] or self.body_per_ball <= 0:
            raise BadInput(f"ball: want a hue, limits of size in order and body_per_ball > 0, got {self}")


def find_balls(
    image_bgr: Image, scene_bgr: Image, region: tuple[int, int, int, int], body_px: float, options: BallOptions
) -> Array:
    """(MOST_BALLS, 5): u, v, sigma px, diameter px and colour of patches, the likeliest first, NaN where fewer.

    region (left, top, right, bottom) is searched; body_px is the player's extent in the picture.
    """
    left, top, right, bottom = region
    piece, behind = image_bgr[top:bottom, left:right], scene_bgr[top:bottom, left:right]
    expected = max(body_px / options.body_per_ball, 2.0)
    step = int(np.clip(expected / 3, 1, 4))  # patches are sought in every so manieth pixel and measured in all
    new, coloured = _new_and_coloured(_thinned(piece, step), _thinned(behind, step), options)
    found = []
    for mask, of_colour in ((coloured, True), (new, False)):
        for box in _boxes(mask, expected / step, options, joined=of_colour):
            patch = _measured(piece, behind, box * step, step, options, of_colour=of_colour)
            if patch is not None and options.size[0] <= patch[3] / expected <= options.size[1]:
                found.append(patch)
    out = np.full((MOST_BALLS, _FIELDS), np.nan)
    kept = _likeliest(found, expected)
    if kept:
        out[: len(kept)] = kept
        out[:, :2] += (left, top)
    return out


def _thinned(piece: Image, step: int) -> Image:
    thin = cv2.resize(piece, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_NEAREST)
    return np.asarray(thin, dtype=np.uint8)


def _likeliest(found: list[tuple[float, ...]], expected_px: float) -> list[tuple[float, ...]]:
    """The best of the patches, each place once: of the ball's colour and size before others."""
    kept: list[tuple[float, ...]] = []
    for patch in sorted(found, key=lambda p: abs(np.log(max(p[3], 0.5) / expected_px)) - 2.0 * p[4]):
        if all(np.hypot(patch[0] - k[0], patch[1] - k[1]) > expected_px for k in kept):
            kept.append(patch)
    return kept[:MOST_BALLS]


def candidates_of(balls: Array) -> BallCandidates:
    """Patches (T, MOST_BALLS, 5) of a clip's pictures as a record."""
    return BallCandidates(balls[..., :2], balls[..., 2], balls[..., 3], balls[..., 4])


def _new_and_coloured(piece: Image, behind: Image, options: BallOptions) -> tuple[Image, Image]:
    """255 where a pixel differs from the empty scene, and where one of these has one of the ball's hues."""
    b, g, r = cv2.split(cv2.absdiff(piece, behind))
    change = np.asarray(cv2.max(cv2.max(b, g), r), dtype=np.uint8)
    new = np.asarray(cv2.threshold(change, options.min_difference - 1, 255, cv2.THRESH_BINARY)[1], np.uint8)
    coloured = np.zeros_like(new)
    at = np.flatnonzero(new)
    if len(at):
        seen = piece[np.divmod(at, new.shape[1])]
        hsv = np.asarray(cv2.cvtColor(seen[np.newaxis], cv2.COLOR_BGR2HSV_FULL))[0]
        good = _hues(options.hues_deg, options.tolerance_deg)[hsv[:, 0]]
        good &= (hsv[:, 1] >= 255 * options.min_saturation) & (hsv[:, 2] >= 50)
        coloured.reshape(-1)[at[good]] = 255
    return new, coloured


@cache
def _hues(targets_deg: tuple[float, ...], tolerance_deg: float) -> NDArray[np.bool_]:
    """(256,) table: whether a hue of OpenCV's full circle is near one of those."""
    hue = np.arange(256) * (360 / 256)
    near = [np.abs((hue - t + 180) % 360 - 180) <= tolerance_deg for t in targets_deg]
    return np.asarray(np.any(near, axis=0))


def _boxes(mask: Image, expected: float, options: BallOptions, *, joined: bool) -> NDArray[np.int64]:
    """(N, 4) left, top, right, bottom of connected patches of about a ball's size; joined: over single gaps."""
    left, top, width, height = cv2.boundingRect(mask)
    if not width:
        return np.zeros((0, 4), int)
    part = mask[top : top + height, left : left + width]
    if joined:
        part = np.asarray(
            cv2.dilate(cv2.copyMakeBorder(part, 1, 1, 1, 1, cv2.BORDER_CONSTANT), _NEAR), np.uint8
        )
        left, top = left - 1, top - 1
    stats = np.asarray(cv2.connectedComponentsWithStats(part, connectivity=8)[2])
    edge = 2 if joined else 0
    wide, high = stats[1:, cv2.CC_STAT_WIDTH] - edge, stats[1:, cv2.CC_STAT_HEIGHT] - edge
    least, most = options.size[0] * expected, options.size[1] * expected
    good = (np.maximum(wide, high) >= least - 1) & (np.maximum(wide, high) <= 2 * most)
    good &= np.minimum(wide, high) <= most
    kept = np.flatnonzero(good)
    kept = 1 + kept[np.argsort(-stats[1:, cv2.CC_STAT_AREA][kept], kind="stable")[:MOST_BALLS]]
    corner = stats[kept, : cv2.CC_STAT_WIDTH] + (left, top)
    return np.concatenate([corner, corner + stats[kept, cv2.CC_STAT_WIDTH : cv2.CC_STAT_AREA]], axis=1)


def _measured(
    piece: Image, behind: Image, box: NDArray[np.int64], step: int, options: BallOptions, *, of_colour: bool
) -> tuple[float, ...] | None:
    """Middle, sigma, diameter and share of colour of what is new in a box, of its coloured part alone if any.

    The diameter is that of a disc, four times the spread, across the patch's shorter axis: blur leaves it.
    """
    left, top = np.maximum(box[:2] - step, 0)
    window = (slice(top, box[3] + step), slice(left, box[2] + step))
    new, coloured = _new_and_coloured(piece[window], behind[window], options)
    y, x = np.nonzero(coloured if of_colour else new)
    if len(x) < 4:
        return None
    u, v = float(x.mean()), float(y.mean())
    a, b, c = float(((x - u) ** 2).mean()), float(((x - u) * (y - v)).mean()), float(((y - v) ** 2).mean())
    across = (a + c) / 2 - np.hypot((a - c) / 2, b)
    share = 1.0 if of_colour else float(np.count_nonzero(coloured)) / len(x)
    diameter = 4 * float(np.sqrt(max(across, 0.05)))
    return left + u, top + v, marker_sigma_px(len(x)), diameter, 0.2 + 0.8 * share
