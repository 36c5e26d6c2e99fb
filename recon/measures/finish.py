"""After contact: the tossing arm, pronation, and how the player lands."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import Body, kept, read_only, unit
from recon.curves import path_length, stretch, value_at
from recon.mass import centre_of_mass_m
from recon.measures.feet import EVERY_S, touching
from recon.measures.reading import Compute, NotSeen, Reading, Serve, absent, at_event, time_of
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

    Between neighbouring instants the knuckle line is carried along with the forearm without twist; what it
    turns beyond that is added up. With a nearly straight elbow the upper arm's own turn goes with it.
    """
    body, t0 = serve.body, time_of(serve, "contact")
    points = [body.point(f"hitting_{p}") for p in ("elbow", "wrist", "index", "pinky")]
    times, moved = stretch(body.t_s, np.stack(points, axis=1), t0, t0 + PRONATION_S)
    if np.isnan(moved).any():
        return absent("the hitting hand was not seen through the 0.1 s after contact")
    axis, across = unit(moved[:, 1] - moved[:, 0]), moved[:, 2] - moved[:, 3]
    return Reading(-body.h * float(_twists(axis, across).sum()), float(times[-1]))


def _twists(axis: Array, across: Array) -> Array:
    """(N-1,) turn of a line across an axis between neighbouring instants, its swing taken out."""
    before, after = axis[:-1], axis[1:]
    swing = np.cross(before, after)
    cosine = (before * after).sum(axis=1, keepdims=True)
    line = across[:-1]
    # the smallest rotation that brings one axis onto the next, applied to the line (Rodrigues)
    carried = (
        line * cosine + np.cross(swing, line) + swing * (swing * line).sum(axis=1, keepdims=True) / (1 + cosine)
    )
    flat = [v - (v * after).sum(axis=1, keepdims=True) * after for v in (carried, across[1:])]
    return np.asarray(
        np.arctan2((after * np.cross(flat[0], flat[1])).sum(axis=1), (flat[0] * flat[1]).sum(axis=1))
    )


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
    length = path_length(times, places, EVERY_S)
    return (
        absent("the whole body was not seen after landing")
        if np.isnan(length)
        else Reading(length, float(times[-1]))
    )


COMPUTE: dict[str, Compute] = {
    "tossing_wrist_to_trunk": at_event(wrist_to_trunk_m, "contact", "tossing wrist or trunk was not seen then"),
    "pronation_after_contact": pronation,
    "landing_distance": landing_distance,
    "landing_time_to_settled": time_to_settled,
    "trunk_inclination_landing": at_event(inclination_rad, "landing", "the trunk was not seen at landing"),
    "landing_sway": sway,
}
