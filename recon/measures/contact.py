"""Where and how the ball is met."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import Body, elbow_angle_rad
from recon.curves import value_at
from recon.measures.reading import Compute, NotSeen, Reading, Serve, absent, at_event, point_at, time_of
from recon.measures.swing import tip_speed_m_s
from recon.measures.toss import ball_at, flight_of
from recon.trunk import elevation_rad, inclination_rad

_UNSEEN = "tip and throat of the racket were not seen at contact, nor the ball"


def head_middle_at_contact(serve: Serve) -> tuple[Array, float]:
    """((3,) middle of the racket head, midway between tip and throat, time). Raises NotSeen."""
    t = time_of(serve, "contact")
    ends = [point_at(serve, f"racket_{end}", t, unseen=_UNSEEN) for end in ("tip", "throat")]
    return (ends[0] + ends[1]) / 2, t


def met_at(serve: Serve) -> tuple[Array, float]:
    """((3,) where the ball was met, time): the ball's centre, without it the racket head's middle."""
    return ball_at(serve, "contact") if serve.ball is not None else head_middle_at_contact(serve)


def height(serve: Serve) -> Reading:
    """Height over the ground at which the ball was met."""
    place, t = met_at(serve)
    return Reading(float(place[2]), t)


def height_ratio(serve: Serve) -> Reading:
    """The same divided by the athlete's standing height."""
    if serve.athlete.height_m is None:
        return absent("the session file gives no height_m")
    place, t = met_at(serve)
    return Reading(float(place[2]) / serve.athlete.height_m, t)


def past_baseline(serve: Serve) -> Reading:
    """How far past the rear edge of the baseline the ball was met."""
    place, t = met_at(serve)
    return Reading(float(place[1]), t)


def _front_toe(serve: Serve) -> Array:
    """(3,) where the front toe last stood: at push-off."""
    return point_at(
        serve, "front_toe", time_of(serve, "push_off"), unseen="the front toe was not seen at push-off"
    )


def past_front_toe(serve: Serve) -> Reading:
    """How far towards the net of where the front toe stood at push-off."""
    place, t = met_at(serve)
    return Reading(float((place - _front_toe(serve))[1]), t)


def beside_front_toe(serve: Serve) -> Reading:
    """How far to the hitting side of where the front toe stood at push-off."""
    place, t = met_at(serve)
    return Reading(float((place - _front_toe(serve))[0]) * serve.body.h, t)


def _from_head(serve: Serve) -> tuple[Array, float]:
    place, t = met_at(serve)
    head = value_at(serve.body.t_s, serve.body.middle("ear"), t)
    if np.isnan(head).any():
        raise NotSeen("the head was not seen at contact")
    return place - head, t


def ahead_of_head(serve: Serve) -> Reading:
    """How far towards the net of the middle of the head."""
    gap, t = _from_head(serve)
    return Reading(float(gap[1]), t)


def beside_head(serve: Serve) -> Reading:
    """How far to the hitting side of the middle of the head."""
    gap, t = _from_head(serve)
    return Reading(float(gap[0]) * serve.body.h, t)


def _elbow_flexion(body: Body) -> Array:
    return np.asarray(np.pi - elbow_angle_rad(body))


def _above_horizontal(body: Body) -> Array:
    return np.asarray(np.pi / 2 - inclination_rad(body))


def ball_speed(serve: Serve) -> Reading:
    """Speed of the ball just after contact."""
    flight = flight_of(serve)
    speed = flight.struck_speed_m_s()
    if speed is None:
        return absent("the struck ball was seen by two cameras fewer than three times")
    return Reading(speed, flight.contact_s)


_ARM, _TRUNK = "the hitting arm was not seen at contact", "the trunk was not seen at contact"
COMPUTE: dict[str, Compute] = {
    "contact_height": height,
    "contact_height_ratio": height_ratio,
    "contact_past_baseline": past_baseline,
    "contact_past_front_toe": past_front_toe,
    "contact_beside_front_toe": beside_front_toe,
    "contact_ahead_of_head": ahead_of_head,
    "contact_beside_head": beside_head,
    "elbow_flexion_contact": at_event(_elbow_flexion, "contact", _ARM),
    "shoulder_elevation_contact": at_event(elevation_rad, "contact", _ARM),
    "trunk_above_horizontal_contact": at_event(_above_horizontal, "contact", _TRUNK),
    "tip_speed_contact": at_event(tip_speed_m_s, "contact", "the racket tip was not seen at contact"),
    "ball_speed": ball_speed,
}
