"""After contact: the tossing arm, pronation, and how the player lands."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from calibration.checks import Array
from recon.body import Body, kept, read_only, unit
from recon.curves import path_length, stretch, value_at
from recon.mass import centre_of_mass_m
from recon.measures.feet import touching
from recon.measures.reading import Compute, NotSeen, Reading, Serve, absent, at_event, time_of
from recon.records import EDGES
from recon.trunk import inclination_rad

PRONATION_S = 0.1
"""After contact, as the measures page says."""
FEET = ("front", "back")


@kept
def wrist_to_trunk_m(body: Body) -> Array:
    """(T,) distance of the tossing wrist from the line mid-hip to mid-shoulder."""
    hips, wrist = body.middle("hip"), body.point("tossing_wrist")
    spine = body.middle("shoulder") - hips
    with np.errstate(invalid="ignore"):
        share = np.clip(((wrist - hips) * spine).sum(axis=1) / (spine**2).sum(axis=1), 0, 1)
    return read_only(np.linalg.norm(wrist - hips - share[:, None] * spine, axis=1))


def pronation(serve: Serve) -> Reading:
    """Turn of the hitting hand's knuckle line about the forearm in the 0.1 s after contact; pronation positive.

    With a nearly straight elbow the upper arm's own turn goes with it.
    """
    return _turn_about_forearm(serve, ("hitting_pinky", "hitting_index"), "hitting hand")


def face_turn(serve: Serve) -> Reading:
    """The same of the racket's face, told by the edges of its head: what they turn about the forearm."""
    if not set(EDGES) <= set(serve.body.keypoints):
        return absent("no tape or click tells the edges of the racket's head")
    return _turn_about_forearm(serve, EDGES, "racket's head with both edges")


def _turn_about_forearm(serve: Serve, ends: tuple[str, ...], what: str) -> Reading:
    """Turn of the line between two points about the forearm in the 0.1 s after contact; pronation positive.

    The line of contact is carried along with the forearm without twist; what the line at the end has turned
    beyond that, less than half a turn, is the value.
    """
    body, t0 = serve.body, time_of(serve, "contact")
    points = [body.point(name) for name in ("hitting_elbow", "hitting_wrist", *ends)]
    times, moved = stretch(body.t_s, np.stack(points, axis=1).reshape(-1, 12), t0, t0 + PRONATION_S)
    moved = moved.reshape(-1, 4, 3)
    if np.isnan(moved[:, :2]).any() or np.isnan(moved[[0, -1]]).any():
        return absent(f"the {what} was not seen through the 0.1 s after contact")
    axis = unit(moved[:, 1] - moved[:, 0])
    across = moved[[0, -1], 3] - moved[[0, -1], 2]
    return Reading(-body.h * _twist(axis, across), float(times[-1]))


def _twist(axis: Array, across: Array) -> float:
    """Turn about a moving axis (N, 3) from one line across it to a later one, its swing taken out."""
    carried = across[0]
    for before, after in pairwise(axis):
        # the smallest rotation that brings one axis onto the next (Rodrigues)
        swing = np.cross(before, after)
        carried = (
            carried * (before @ after)
            + np.cross(swing, carried)
            + swing * (swing @ carried) / (1 + before @ after)
        )
    last = axis[-1]
    was, now = (v - (v @ last) * last for v in (carried, across[1]))
    return float(np.arctan2(last @ np.cross(was, now), was @ now))


def landing_foot(serve: Serve) -> tuple[str, str]:
    """(foot, part of it) that comes down first. Raises NotSeen where none is seen on the ground then."""
    k = serve.body.at(time_of(serve, "landing"))
    window = slice(max(k - 2, 0), k + 4)
    for foot in FEET:
        for part in ("toe", "heel"):
            if touching(serve, foot, part)[window].any():
                return foot, part
    raise NotSeen("no foot was seen on the ground at landing")


def landing_distance(serve: Serve) -> Reading:
    """How far into the court the landing foot comes down: y of its toe."""
    t = time_of(serve, "landing")
    foot, _ = landing_foot(serve)
    y = float(value_at(serve.body.t_s, serve.body.point(f"{foot}_toe")[:, 1], t))
    return absent("the landing foot's toe was not seen") if np.isnan(y) else Reading(y, t, f"{foot} foot")


def time_to_settled(serve: Serve) -> Reading:
    """Time from landing until the body is settled."""
    t = time_of(serve, "settled")
    return Reading(t - time_of(serve, "landing"), t)


def sway(serve: Serve) -> Reading:
    """Way of the centre of mass on the ground plan from landing until the body is settled."""
    mass = centre_of_mass_m(serve.body)[:, :2]
    times, places = stretch(serve.body.t_s, mass, time_of(serve, "landing"), time_of(serve, "settled"))
    if not len(times):
        return absent("the body was settled when it landed")
    length = path_length(times, places)
    return (
        absent("the whole body was not seen after landing")
        if np.isnan(length)
        else Reading(length, float(times[-1]))
    )


COMPUTE: dict[str, Compute] = {
    "tossing_wrist_to_trunk": at_event(wrist_to_trunk_m, "contact", "tossing wrist or trunk was not seen then"),
    "pronation_after_contact": pronation,
    "face_turn_after_contact": face_turn,
    "landing_distance": landing_distance,
    "landing_time_to_settled": time_to_settled,
    "trunk_inclination_landing": at_event(inclination_rad, "landing", "the trunk was not seen at landing"),
    "landing_sway": sway,
}
