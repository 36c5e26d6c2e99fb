"""How far a shoe reaches on the ground, from heel and toe points alone.

Three discs stand for a foot of length L, heel to toe: at the heel, at the ball and at the toes. Their radii are
shares of L: a foot is about 0.38 L wide at the ball and 0.25 L at the heel (proportions of feet as shoemakers
use them; common practice, from memory). A shoe reaches farther all round by a stated margin with its own
uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from recon.body import Body, kept


@dataclass(frozen=True, slots=True)
class Disc:
    """A disc that follows the "heel" or "toe" point, shifted towards the toes by a share of L."""

    anchor: str
    shift_share: float
    radius_share: float


DISCS = (Disc("heel", 0.12, 0.125), Disc("toe", -0.29, 0.19), Disc("toe", -0.10, 0.11))


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
    length = foot_length_m(body, foot)
    anchor = (toe if part == "toe" else heel)[:, :2]
    reaches = [
        (anchor + disc.shift_share * length * along) @ way + disc.radius_share * length + margin_m
        for disc in DISCS
        if disc.anchor == part
    ]
    return np.asarray(np.max(reaches, axis=0))
