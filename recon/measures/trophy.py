"""Joints, trunk and racket at the trophy position and in the deepest bend."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import Body, elbow_angle_rad, interior_angle_rad, kept, knee_flexion_rad, read_only
from recon.curves import largest, stretch, value_at
from recon.measures.feet import touching
from recon.measures.reading import Compute, Reading, Serve, absent, at_event, point_at, time_of
from recon.trunk import (
    inclination_rad,
    lean_rad,
    line_turn_rad,
    off_shoulder_line_rad,
    over_shoulder_line_m,
    separation_rad,
)


@kept
def dorsiflexion_rad(body: Body, foot: str) -> Array:
    """(T,) shank against foot: 0 at a right angle, positive with the toes towards the shin."""
    knee, ankle = body.point(f"{foot}_knee"), body.point(f"{foot}_ankle")
    foot_line = body.point(f"{foot}_toe") - body.point(f"{foot}_heel")
    return read_only(np.pi / 2 - interior_angle_rad(knee, ankle, ankle + foot_line))


def dorsiflexion_max(foot: str) -> Compute:
    """Largest dorsiflexion while the foot is on the ground, start to push-off."""

    def compute(serve: Serve) -> Reading:
        down = touching(serve, foot, "heel") | touching(serve, foot, "toe")
        angle = np.where(down, dorsiflexion_rad(serve.body, foot), np.nan)
        times, chosen = stretch(serve.body.t_s, angle, time_of(serve, "start"), time_of(serve, "push_off"))
        t, value = largest(times, chosen)
        return absent(f"the {foot} foot was not seen on the ground") if np.isnan(value) else Reading(value, t)

    return compute


def _knee(leg: str, event: str) -> Compute:
    return at_event(lambda body: knee_flexion_rad(body, leg), event, f"the {leg} leg was not seen then")


def racket_length_m(serve: Serve) -> float:
    """As the session file says, else the median distance of tip and butt points; NaN where neither is known."""
    if serve.athlete.racket_length_m is not None:
        return serve.athlete.racket_length_m
    body = serve.body
    apart = np.linalg.norm(body.point("racket_tip") - body.point("racket_butt"), axis=1)
    known = apart[~np.isnan(apart)]
    return float(np.median(known)) if len(known) else float("nan")


def tip_to_tossing_hand(serve: Serve) -> Reading:
    """Distance of the racket tip from the tossing wrist at the trophy position."""
    t = time_of(serve, "trophy")
    tip = point_at(serve, "racket_tip", t, unseen="the racket tip was not seen at trophy")
    hand = point_at(serve, "tossing_wrist", t, unseen="the tossing wrist was not seen at trophy")
    return Reading(float(np.linalg.norm(tip - hand)), t)


def tip_to_tossing_hand_ratio(serve: Serve) -> Reading:
    """The same in lengths of the racket."""
    reading = tip_to_tossing_hand(serve)
    length = racket_length_m(serve)
    if reading.value is None:
        return reading
    if np.isnan(length):
        return absent("the racket's length is neither said nor seen")
    return Reading(reading.value / length, reading.t_s)


def line_turn_at_trophy(part: str) -> Compute:
    """Turn of hip or shoulder line from the baseline at the trophy position, in (-pi, pi]."""

    def compute(serve: Serve) -> Reading:
        t = time_of(serve, "trophy")
        value = float(value_at(serve.body.t_s, line_turn_rad(serve.body, part), t))
        if np.isnan(value):
            return absent(f"the {part}s were not seen at trophy")
        return Reading(value - 2 * np.pi * round(value / (2 * np.pi)), t)

    return compute


_TRUNK, _ARM = "the trunk was not seen at trophy", "the hitting arm was not seen at trophy"
COMPUTE: dict[str, Compute] = {
    "front_knee_flexion_trophy": _knee("front", "trophy"),
    "back_knee_flexion_trophy": _knee("back", "trophy"),
    "front_knee_flexion_deepest": _knee("front", "deepest_bend"),
    "back_knee_flexion_deepest": _knee("back", "deepest_bend"),
    "front_ankle_dorsiflexion_max": dorsiflexion_max("front"),
    "back_ankle_dorsiflexion_max": dorsiflexion_max("back"),
    "trunk_inclination_trophy": at_event(inclination_rad, "trophy", _TRUNK),
    "trunk_lean_forward_trophy": at_event(lambda body: lean_rad(body)[0], "trophy", _TRUNK),
    "trunk_lean_side_trophy": at_event(lambda body: lean_rad(body)[1], "trophy", _TRUNK),
    "hip_shoulder_separation_trophy": at_event(separation_rad, "trophy", _TRUNK),
    "hip_line_turn_trophy": line_turn_at_trophy("hip"),
    "shoulder_line_turn_trophy": line_turn_at_trophy("shoulder"),
    "elbow_angle_trophy": at_event(elbow_angle_rad, "trophy", _ARM),
    "elbow_off_shoulder_line": at_event(off_shoulder_line_rad, "trophy", _ARM),
    "elbow_over_shoulders": at_event(over_shoulder_line_m, "trophy", _ARM),
    "tip_to_tossing_hand": tip_to_tossing_hand,
    "tip_to_tossing_hand_ratio": tip_to_tossing_hand_ratio,
}
