"""Frames that turn with the segments of a body, one per keypoint: where an offset from a joint stays put.

Every frame has the axes front, up and outward: outward is to the right for points of the right side and to the
left for those of the left, so a mirrored body has mirrored frames and the same coordinates in them. Proxies of
the ISB frames as docs/measures.md defines them; between two segments a hinge's axis is the cross product of the
two, which fades as the limb straightens and then gives way to the trunk's own right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from recon.body import unit

_STRAIGHT = 0.26  # sine of 15° of bend: below it a limb's hinge is not to be seen (docs/measures.md)
SIDES = ("left", "right")


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Named points over time: xyz_m (T, P, 3)."""

    keypoints: tuple[str, ...]
    xyz_m: Array

    def of(self, name: str) -> Array:
        """(T, 3); NaN throughout where there is no such point."""
        if name not in self.keypoints:
            return np.full((len(self.xyz_m), 3), np.nan)
        return np.asarray(self.xyz_m[:, self.keypoints.index(name)])

    def middle(self, part: str) -> Array:
        """(T, 3) mean of left and right."""
        return (self.of(f"left_{part}") + self.of(f"right_{part}")) / 2


def body_scale_m(points: Points) -> float:
    """Size of a body: median lengths of trunk, thigh and shank added up, metres; NaN where one is never seen.

    Offsets are stated as shares of it: it needs no standing height and hardly moves with single points' errors.
    """
    spans = [np.linalg.norm(points.middle("shoulder") - points.middle("hip"), axis=1)]
    for a, b in (("hip", "knee"), ("knee", "ankle")):
        both = [np.linalg.norm(points.of(f"{s}_{a}") - points.of(f"{s}_{b}"), axis=1) for s in SIDES]
        spans.append(np.concatenate(both))
    seen = [s[~np.isnan(s)] for s in spans]
    return float(sum(np.median(s) for s in seen)) if all(len(s) for s in seen) else float("nan")


def frame_pairs(points: Points, keypoint: str) -> tuple[Array, Array]:
    """Frames (T, 3, 3) of the two segments that meet at a keypoint; NaN where unknown.

    Columns are front, up and outward. Segments: hip pelvis and thigh, knee thigh and shank, ankle shank and
    foot, heel and toe foot and shank, shoulder trunk and upper arm, elbow upper arm and forearm, wrist forearm
    and hand, fingers hand and forearm, face head and trunk. Raises KeyError for a point that belongs to no
    body.
    """
    side, _, part = keypoint.rpartition("_")
    frames = _frames(points, side or "right")
    first, second = _MEETING[part]
    outward = np.array([1.0, 1.0, -1.0 if side == "left" else 1.0])
    return frames[first] * outward, frames[second] * outward


_MEETING = {
    "hip": ("pelvis", "thigh"), "knee": ("thigh", "shank"), "ankle": ("shank", "foot"),
    "heel": ("foot", "shank"), "toe": ("foot", "shank"), "shoulder": ("trunk", "upper arm"),
    "elbow": ("upper arm", "forearm"), "wrist": ("forearm", "hand"), "thumb": ("hand", "forearm"),
    "index": ("hand", "forearm"), "pinky": ("hand", "forearm"), "nose": ("head", "trunk"),
    "eye": ("head", "trunk"), "ear": ("head", "trunk"),
}  # fmt: skip
BODY_PARTS: Sequence[str] = tuple(_MEETING)


def _frames(p: Points, side: str) -> dict[str, Array]:
    """Right-handed frames (front, up, right) of the trunk and of one side's limbs."""
    spine = p.middle("shoulder") - p.middle("hip")
    hips, shoulders = (p.of(f"right_{part}") - p.of(f"left_{part}") for part in ("hip", "shoulder"))
    pelvis, trunk = _framed(spine, hips), _framed(spine, shoulders)
    hip, knee, ankle, heel, toe = (p.of(f"{side}_{n}") for n in ("hip", "knee", "ankle", "heel", "toe"))
    shoulder, elbow, wrist, index, little = (
        p.of(f"{side}_{n}") for n in ("shoulder", "elbow", "wrist", "index", "pinky")
    )
    thigh, shank, foot = hip - knee, knee - ankle, toe - heel
    knee_axis = np.cross(unit(thigh), unit(shank)) * -1 + _STRAIGHT * pelvis[..., 2]
    upper, fore = shoulder - elbow, elbow - wrist
    elbow_axis = np.cross(unit(upper), unit(fore)) + _STRAIGHT * trunk[..., 2]
    hand, across = wrist - (index + little) / 2, index - little
    face = p.of("right_ear") - p.of("left_ear")
    ahead = p.of("nose") - p.middle("ear")
    return {
        "pelvis": pelvis,
        "trunk": trunk,
        "thigh": _framed(thigh, knee_axis),
        "shank": _framed(shank, knee_axis),
        "foot": _framed(shank - _along(shank, foot), np.cross(foot, shank)),
        "upper arm": _framed(upper, elbow_axis),
        "forearm": _framed(fore, elbow_axis),
        "hand": _framed(hand, across * (1.0 if side == "right" else -1.0)),
        "head": _framed(np.cross(face, ahead), face),
    }


def _along(v: Array, way: Array) -> Array:
    """Part (T, 3) of v along a way."""
    w = unit(way)
    return np.asarray((v * w).sum(axis=-1, keepdims=True) * w)


def _framed(up: Array, right: Array) -> Array:
    """(T, 3, 3) columns front, up, right: up kept, right made orthogonal to it."""
    with np.errstate(invalid="ignore", divide="ignore"):
        y = unit(up)
        z = unit(right - (right * y).sum(axis=-1, keepdims=True) * y)
    return np.stack([np.cross(y, z), y, z], axis=-1)
