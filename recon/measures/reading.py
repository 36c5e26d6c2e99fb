"""What a measure function is given, and what it returns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from recon.body import Body
from recon.curves import largest, stretch, value_at
from recon.records import BallFlight, Events


@dataclass(frozen=True, slots=True)
class Athlete:
    """What the session file says about the person and the serve, and how far a shoe reaches.

    height_m, u_height_m  standing height; read off a wall to half a centimetre (common practice)
    shoe_margin_m   how far the shoe's outline reaches beyond the bare foot's (recon/foot_outline.py)
    side            "deuce" or "advantage", where it is said; game "singles" or "doubles"
    racket_length_m from the end of the handle to the far end of the frame, where it is said
    """

    height_m: float | None = None
    u_height_m: float = 0.005
    shoe_margin_m: float = 0.010
    u_shoe_margin_m: float = 0.008
    side: str | None = None
    game: str | None = None
    racket_length_m: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Serve:
    """One serve as measures see it. ball: the path of the ball, where it was seen."""

    body: Body
    events: Events
    athlete: Athlete
    ball: BallFlight | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """One evaluated measure: a value with the time it was taken, or the reason for its absence."""

    value: float | None
    t_s: float | None = None
    note: str = ""
    reason: str = ""


Compute = Callable[[Serve], Reading]
Curve = Callable[[Body], Array]
"""(T,) one quantity of a body over time."""


class NotSeen(Exception):
    """What a measure needs is not there; its text is the reason that the reading gives."""


def absent(reason: str) -> Reading:
    """A reading that could not be taken."""
    return Reading(None, reason=reason)


def time_of(serve: Serve, event: str) -> float:
    """Rig time of an event. Raises NotSeen with the reason where it is absent."""
    found = serve.events.of(event)
    if found.t_s is None:
        raise NotSeen(f"{event.replace('_', ' ')} could not be found: {found.reason}")
    return found.t_s


def point_at(serve: Serve, name: str, t_s: float, *, unseen: str) -> Array:
    """(3,) of a point at an instant. Raises NotSeen with the sentence `unseen` where it is absent."""
    place = value_at(serve.body.t_s, serve.body.point(name), t_s)
    if np.isnan(place).any():
        raise NotSeen(unseen)
    return place


def at_event(curve: Curve, event: str, unseen: str) -> Compute:
    """The measure that takes a curve at one event."""

    def compute(serve: Serve) -> Reading:
        t = time_of(serve, event)
        value = float(value_at(serve.body.t_s, curve(serve.body), t))
        return absent(unseen) if np.isnan(value) else Reading(value, t)

    return compute


def largest_between(curve: Curve, first: str, last: str, unseen: str) -> Compute:
    """The measure that takes the largest value of a curve between two events."""

    def compute(serve: Serve) -> Reading:
        start, stop = time_of(serve, first), time_of(serve, last)
        if not stop > start:
            return absent(f"{first.replace('_', ' ')} comes after {last.replace('_', ' ')}")
        t, value = largest(*stretch(serve.body.t_s, curve(serve.body), start, stop))
        return absent(unseen) if np.isnan(value) else Reading(value, t)

    return compute


def whenever_seen(compute: Compute) -> Compute:
    """The same measure, with NotSeen turned into an absent reading."""

    def taken(serve: Serve) -> Reading:
        try:
            reading = compute(serve)
        except NotSeen as why:
            return absent(str(why))
        if reading.value is not None and not np.isfinite(reading.value):
            return absent("a point that it needs was not seen then")
        return reading

    return taken
