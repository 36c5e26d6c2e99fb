"""How far a shoe reaches on the ground, from heel and toe points alone.

Three discs stand for a foot of length L, from the heel to the tip of the big toe: at the heel, at the ball and
at the toes. The line from heel to big toe runs along a foot's inner side, so ball and toes lie to its outer
side. A foot is about 0.38 L wide at the ball and 0.25 L at the heel, and stands a little ahead of its rearmost
point (proportions of feet as shoemakers use them; common practice, from memory). A shoe reaches farther all
round by a stated margin with its own uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from recon.body import Body, kept
from recon.records import side_names


@dataclass(frozen=True, slots=True)
class Disc:
    """A disc that follows the "heel" or "toe" point: shares of L towards the toes, outwards, and in radius."""

    anchor: str
    shift_share: float
    outward_share: float
    radius_share: float


DISCS = (Disc("heel", 0.235, 0.0, 0.125), Disc("toe", -0.29, 0.08, 0.19), Disc("toe", -0.10, 0.05, 0.11))


@kept
def foot_length_m(body: Body, foot: str) -> float:
    """Distance from heel to toe point of the "front" or "back" foot, median over the motion; NaN if unseen."""
    apart = np.linalg.norm(body.point(f"{foot}_toe") - body.point(f"{foot}_heel"), axis=1)
    known = apart[~np.isnan(apart)]
    return float(np.median(known)) if len(known) else float("nan")


def reach_m(body: Body, foot: str, part: str, way: Array, margin_m: float) -> Array:
    """(T,) how far the shoe reaches along a direction on the court, metres from the court's origin.

    part: "heel" or "toe": of the discs that follow that point, the farthest. way (2,) of length one.
    """
    toe, heel = body.point(f"{foot}_toe"), body.point(f"{foot}_heel")
    along = (toe - heel)[:, :2]
    with np.errstate(invalid="ignore", divide="ignore"):
        along = along / np.linalg.norm(along, axis=1, keepdims=True)
    outward = np.stack([-along[:, 1], along[:, 0]], axis=1)
    if side_names(body.handedness)[foot] == "right":
        outward = -outward
    length = foot_length_m(body, foot)
    anchor = (toe if part == "toe" else heel)[:, :2]
    reaches = [
        (anchor + length * (disc.shift_share * along + disc.outward_share * outward)) @ way
        + disc.radius_share * length
        + margin_m
        for disc in DISCS
        if disc.anchor == part
    ]
    return np.asarray(np.max(reaches, axis=0))
