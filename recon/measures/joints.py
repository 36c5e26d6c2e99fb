"""Angles of knees and elbow, the height of contact, and the feet's distance from the baseline."""

from __future__ import annotations

import numpy as np

from recon.body import Body, elbow_angle_rad, knee_flexion_rad
from recon.ground import ground_contact
from recon.measures.headline import at_event
from recon.measures.reading import Athlete, Compute, Reading, absent, missing_event
from recon.records import Events


def elbow_angle_trophy(body: Body, events: Events, _: Athlete) -> Reading:
    """Interior angle of the hitting elbow at the trophy position, radians; π is a straight arm."""
    return at_event(body, events, "trophy", elbow_angle_rad(body), "the hitting arm was not seen at trophy")


def knee_flexion_at(leg: str, event: str) -> Compute:
    """Flexion of the "front" or "back" knee at one event, radians; 0 is a straight leg."""

    def compute(body: Body, events: Events, _: Athlete) -> Reading:
        return at_event(body, events, event, knee_flexion_rad(body, leg), f"the {leg} leg was not seen then")

    return compute


def contact_height(body: Body, events: Events, _: Athlete) -> Reading:
    """Height of the middle of the racket head at contact, metres above the ground.

    Tip and throat are the two ends of the head on its long axis; their midpoint is its middle.
    """
    if why := missing_event(events, "contact"):
        return absent(why)
    k = body.at(events.time("contact") or 0.0)
    middle = (body.point("racket_tip")[k] + body.point("racket_throat")[k]) / 2
    if np.isnan(middle).any():
        return absent("tip and throat of the racket were not seen at contact")
    return Reading(float(middle[2]), float(body.t_s[k]))


def contact_height_ratio(body: Body, events: Events, athlete: Athlete) -> Reading:
    """Contact height divided by the athlete's standing height."""
    if athlete.height_m is None:
        return absent("the session file gives no height_m")
    height = contact_height(body, events, athlete)
    if height.value is None:
        return height
    return Reading(height.value / athlete.height_m, height.t_s)


def foot_fault_clearance(body: Body, events: Events, athlete: Athlete) -> Reading:
    """Smallest distance of any foot point on the ground behind the rear edge of the baseline, start to contact.

    Metres; negative when the shoe's outline reaches over the edge. Only touching counts: a foot in the air or
    a hip past the line is no fault (Rules of Tennis, rule 18).
    """
    if why := missing_event(events, "start", "contact"):
        return absent(why)
    start, contact = events.time("start") or 0.0, events.time("contact") or 0.0
    window = body.between(start, contact)
    nearest: tuple[float, float] | None = None
    for foot in ("front", "back"):
        for part in ("heel", "toe"):
            rest = (start - 0.25, start)
            down = ground_contact(body, foot, part, stance_s=rest, rise_m=0.03, speed_m_s=0.25)[window]
            behind = -body.point(f"{foot}_{part}")[window, 1] - athlete.shoe_margin_m
            if down.any() and not np.isnan(behind[down]).all():
                k = window[down][int(np.nanargmin(behind[down]))]
                value = float(np.nanmin(behind[down]))
                nearest = min(nearest or (np.inf, 0.0), (value, float(body.t_s[k])))
    if nearest is None:
        return absent("no foot was seen on the ground between start and contact")
    return Reading(nearest[0], nearest[1])
