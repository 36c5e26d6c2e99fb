"""The racket's drop, and the order in which segments reach their greatest speeds before contact."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import Body, elbow_angle_rad, kept, read_only
from recon.curves import largest, rate, stretch, unwrapped
from recon.measures.reading import Compute, Curve, Reading, Serve, absent, at_event, time_of
from recon.trunk import lay_back_rad, line_turn_rad


def _wrist_below_elbow(body: Body) -> Array:
    return np.asarray((body.point("hitting_elbow") - body.point("hitting_wrist"))[:, 2])


def _tip_below_wrist(body: Body) -> Array:
    return np.asarray((body.point("hitting_wrist") - body.point("racket_tip"))[:, 2])


@kept
def turn_speed_rad_s(body: Body, part: str) -> Array:
    """(T,) how fast the line of hips or shoulders turns towards the net, about the vertical."""
    return read_only(-rate(body.t_s, line_turn_rad(body, part)))


@kept
def elbow_extension_rad_s(body: Body) -> Array:
    """(T,) how fast the hitting elbow straightens."""
    return read_only(rate(body.t_s, elbow_angle_rad(body)))


@kept
def shoulder_rotation_rad_s(body: Body) -> Array:
    """(T,) how fast the hitting forearm turns forward about the upper arm; NaN with a nearly straight elbow."""
    return read_only(-rate(body.t_s, unwrapped(lay_back_rad(body))))


@kept
def tip_speed_m_s(body: Body) -> Array:
    """(T,) speed of the racket tip."""
    return read_only(np.linalg.norm(body.rate("racket_tip"), axis=1))


SEQUENCE: tuple[tuple[str, str, Curve], ...] = (
    ("pelvis_turn_speed", "pelvis", lambda body: turn_speed_rad_s(body, "hip")),
    ("trunk_turn_speed", "trunk", lambda body: turn_speed_rad_s(body, "shoulder")),
    ("elbow_extension_speed", "elbow", elbow_extension_rad_s),
    ("shoulder_rotation_speed", "shoulder", shoulder_rotation_rad_s),
    ("tip_speed_peak", "racket tip", tip_speed_m_s),
)
"""Measure, word and curve of each link, in no order that a player would have to keep."""

LINKS = frozenset(name for name, _, _ in SEQUENCE)


def _peak(serve: Serve, curve: Curve) -> tuple[float, float]:
    """(time, value) of a curve's largest between trophy and contact, NaN where it was not seen."""
    return largest(
        *stretch(serve.body.t_s, curve(serve.body), time_of(serve, "trophy"), time_of(serve, "contact"))
    )


def peak_speed(curve: Curve, word: str) -> Compute:
    """Greatest speed of a link between trophy and contact."""

    def compute(serve: Serve) -> Reading:
        t, value = _peak(serve, curve)
        return (
            absent(f"the {word} was not seen in the swing")
            if np.isnan(value)
            else Reading(value, t, order(serve))
        )

    return compute


def before_contact(curve: Curve, word: str) -> Compute:
    """By how much a link's greatest speed comes before contact, seconds."""

    def compute(serve: Serve) -> Reading:
        t, _ = _peak(serve, curve)
        if np.isnan(t):
            return absent(f"the {word} was not seen in the swing")
        if curve is tip_speed_m_s and serve.ball is None:
            return absent("without a ball, contact is told by the tip's own greatest speed")
        return Reading(time_of(serve, "contact") - t, t)

    return compute


def order(serve: Serve) -> str:
    """The links in the order of their greatest speeds."""
    peaks = [(_peak(serve, curve)[0], word) for _, word, curve in SEQUENCE]
    return "order here: " + ", ".join(word for t, word in sorted(p for p in peaks if not np.isnan(p[0])))


COMPUTE: dict[str, Compute] = {
    "wrist_below_elbow": at_event(_wrist_below_elbow, "racket_low", "the hitting arm was not seen then"),
    "tip_below_wrist": at_event(_tip_below_wrist, "racket_low", "wrist and racket tip were not seen then"),
    "forearm_lay_back": at_event(
        lay_back_rad, "racket_low", "the hitting arm was not seen then, or its elbow was nearly straight"
    ),
    **{name: peak_speed(curve, word) for name, word, curve in SEQUENCE},
    **{f"{name}_before_contact": before_contact(curve, word) for name, word, curve in SEQUENCE},
}
