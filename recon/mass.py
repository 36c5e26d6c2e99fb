"""The whole body's centre of mass, from segment masses and where each segment's own centre lies.

Source: de Leva P (1996), Adjustments to Zatsiorsky-Seluyanov's segment inertia parameters, J Biomech
29(9):1223-1230, table 4, with its alternatives for a trunk from mid-shoulder to mid-hip and a shank from joint
centre to joint centre. The player's sex is not asked for: means of the female and the male column are used,
whose centres of mass of one posture differ by about a centimetre.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calibration.checks import Array
from recon.body import Body, kept, read_only


@dataclass(frozen=True, slots=True)
class Segment:
    """Share of the body's mass, per cent, and of the way from first to second end at which its centre lies."""

    mass_female: float
    mass_male: float
    centre_female: float
    centre_male: float
    paired: bool = True

    @property
    def mass(self) -> float:
        """Share of the body's mass, 0 … 1."""
        return (self.mass_female + self.mass_male) / 200

    @property
    def centre(self) -> float:
        """Share of the way from the first end to the second, 0 … 1."""
        return (self.centre_female + self.centre_male) / 200


SEGMENTS: Mapping[str, Segment] = MappingProxyType(
    {
        "head": Segment(6.68, 6.94, 58.94, 59.76, paired=False),
        "trunk": Segment(42.57, 43.46, 37.82, 43.10, paired=False),
        "upper arm": Segment(2.55, 2.71, 57.54, 57.72),
        "forearm": Segment(1.38, 1.62, 45.59, 45.74),
        "hand": Segment(0.56, 0.61, 74.74, 79.00),
        "thigh": Segment(14.78, 14.16, 36.12, 40.95),
        "shank": Segment(4.81, 4.33, 43.52, 43.95),
        "foot": Segment(1.29, 1.37, 40.14, 44.15),
    }
)
"""Ends: head vertex to mid-gonion; trunk mid-shoulder to mid-hip; hand wrist to third knuckle; foot heel to the
tip of the longest toe; the others from joint centre to joint centre, the upper one first."""

_LIMBS = {"upper arm": ("shoulder", "elbow"), "forearm": ("elbow", "wrist"), "thigh": ("hip", "knee"),
          "shank": ("knee", "ankle"), "foot": ("heel", "toe")}  # fmt: skip


@kept
def centre_of_mass_m(body: Body) -> Array:
    """(T, 3) of the whole body, metres; NaN where a joint of it is absent.

    The head's centre is taken midway between the ears (its table wants the vertex, which no camera sees), the
    third knuckle midway between those of index and little finger. Racket and clothes are left out.
    """
    trunk = SEGMENTS["trunk"]
    shoulders, hips = body.middle("shoulder"), body.middle("hip")
    total = SEGMENTS["head"].mass * body.middle("ear")
    total = total + trunk.mass * (shoulders + trunk.centre * (hips - shoulders))
    for side in ("left", "right"):
        for name, (first, second) in _LIMBS.items():
            segment = SEGMENTS[name]
            a, b = body.point(f"{side}_{first}"), body.point(f"{side}_{second}")
            total = total + segment.mass * (a + segment.centre * (b - a))
        hand, wrist = SEGMENTS["hand"], body.point(f"{side}_wrist")
        knuckle = (body.point(f"{side}_index") + body.point(f"{side}_pinky")) / 2
        total = total + hand.mass * (wrist + hand.centre * (knuckle - wrist))
    whole = sum(s.mass * (2 if s.paired else 1) for s in SEGMENTS.values())
    return read_only(np.asarray(total / whole))
