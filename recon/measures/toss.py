"""The tossing arm and the ball's flight up to contact."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from calibration.checks import Array
from recon.body import Body, interior_angle_rad, kept, read_only
from recon.curves import largest, stretch, unwrapped, value_at
from recon.measures.reading import Compute, NotSeen, Reading, Serve, absent, point_at, time_of
from recon.records import BallFlight

_LEAST_REACH_M = 0.15  # of the arm on the ground; more upright than that it has no direction there
_ARM_UNSEEN = "the tossing arm was not seen between the start of the lift and release"
_BALL_UNSEEN = "the ball's flight was not seen"


@kept
def tossing_elbow_rad(body: Body) -> Array:
    """(T,) interior angle of the tossing elbow; pi is straight."""
    shoulder, elbow, wrist = (body.point(f"tossing_{part}") for part in ("shoulder", "elbow", "wrist"))
    return read_only(interior_angle_rad(shoulder, elbow, wrist))


@kept
def arm_swing_rad(body: Body) -> Array:
    """(T,) direction of the tossing arm on the ground, atan2(-q_y, h q_x) with q from shoulder to wrist.

    0 along the baseline to the hitting side, positive behind it; NaN where the arm is nearly upright.
    """
    q = (body.point("tossing_wrist") - body.point("tossing_shoulder"))[:, :2]
    angle = np.arctan2(-q[:, 1], body.h * q[:, 0])
    angle[~(np.linalg.norm(q, axis=1) > _LEAST_REACH_M)] = np.nan
    return read_only(unwrapped(angle))


def _lifting(serve: Serve, values: Array) -> tuple[Array, Array]:
    times, chosen = stretch(serve.body.t_s, values, time_of(serve, "lift_start"), time_of(serve, "release"))
    if not len(times) or np.isnan(chosen).all():
        raise NotSeen(_ARM_UNSEEN)
    return times, chosen


def elbow_mean(serve: Serve) -> Reading:
    """Mean interior angle of the tossing elbow from the start of the lift to release."""
    times, angle = _lifting(serve, tossing_elbow_rad(serve.body))
    known = ~np.isnan(angle)
    if known.sum() < 2:
        return absent(_ARM_UNSEEN)
    span = times[known][-1] - times[known][0]
    return Reading(float(np.trapezoid(angle[known], times[known]) / span), float(times[-1]))


def elbow_smallest(serve: Serve) -> Reading:
    """Smallest interior angle of the tossing elbow from the start of the lift to release."""
    times, angle = _lifting(serve, tossing_elbow_rad(serve.body))
    t, value = largest(times, -angle)
    return Reading(-value, t)


def sweep(serve: Serve) -> Reading:
    """Direction of the tossing arm on the ground farthest behind the baseline's, before release."""
    times, angle = _lifting(serve, arm_swing_rad(serve.body))
    t, value = largest(times, angle)
    return Reading(value - 2 * np.pi * round(value / (2 * np.pi)), t)


def lift_start_from_thigh(serve: Serve) -> Reading:
    """Distance of the tossing wrist from the line hip-knee of the front leg when the lift starts."""
    t = time_of(serve, "lift_start")
    unseen = "tossing wrist and front thigh were not seen when the lift started"
    hand, hip, knee = (
        point_at(serve, name, t, unseen=unseen) for name in ("tossing_wrist", "front_hip", "front_knee")
    )
    thigh = knee - hip
    share = float(np.clip((hand - hip) @ thigh / (thigh @ thigh), 0, 1))
    return Reading(float(np.linalg.norm(hand - hip - share * thigh)), t)


def flight_of(serve: Serve) -> BallFlight:
    """The ball's flight. Raises NotSeen where there is none."""
    if serve.ball is None:
        raise NotSeen(_BALL_UNSEEN)
    return serve.ball


def ball_at(serve: Serve, event: str) -> tuple[Array, float]:
    """((3,) centre of the ball at "release" or "contact", its time). Raises NotSeen where one is absent.

    The flight's own instant counts where it has one: the event's may be told by other things as well, and a
    millisecond after contact a struck ball is half a decimetre farther.
    """
    flight, t = flight_of(serve), time_of(serve, event)
    own = flight.release_s if event == "release" else flight.contact_s
    t = t if own is None else own
    return _place(flight, t), t


@lru_cache(maxsize=16)
def _place(flight: BallFlight, t_s: float) -> Array:
    """(3,) of the ball; kept, since several measures ask for the same and the air's drag makes it long work."""
    return read_only(np.asarray(flight.at(t_s)))


def release_height(serve: Serve) -> Reading:
    """Height of the ball's centre at release."""
    ball, t = ball_at(serve, "release")
    return Reading(float(ball[2]), t)


def release_over_eyes(serve: Serve) -> Reading:
    """Height of the ball's centre at release over the middle of the eyes."""
    ball, t = ball_at(serve, "release")
    eyes = value_at(serve.body.t_s, serve.body.middle("eye"), t)
    return Reading(float(ball[2] - eyes[2]), t)


def apex_height(serve: Serve) -> Reading:
    """Greatest height of the ball's centre between release and contact."""
    flight = flight_of(serve)
    t, place = flight.apex()
    return Reading(float(place[2]), t)


def drift(axis: int) -> Compute:
    """Where the ball is at contact less where it was at release, along x (times h) or y."""

    def compute(serve: Serve) -> Reading:
        start, _ = ball_at(serve, "release")
        end, t = ball_at(serve, "contact")
        return Reading(float((end - start)[axis]) * (serve.body.h if axis == 0 else 1.0), t)

    return compute


def knee_bend_onset_after_release(serve: Serve) -> Reading:
    """Time from release to the onset of the knees' bend; positive: the bend comes later."""
    t = time_of(serve, "knee_bend_onset")
    return Reading(t - time_of(serve, "release"), t)


COMPUTE: dict[str, Compute] = {
    "tossing_elbow_mean": elbow_mean,
    "tossing_elbow_min": elbow_smallest,
    "lift_start_from_thigh": lift_start_from_thigh,
    "toss_sweep": sweep,
    "release_height": release_height,
    "release_over_eyes": release_over_eyes,
    "toss_apex_height": apex_height,
    "toss_drift_side": drift(0),
    "toss_drift_forward": drift(1),
    "knee_bend_onset_after_release": knee_bend_onset_after_release,
}
