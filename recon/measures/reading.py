"""What one measure function returns, and what it may know besides the motion."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from recon.body import Body
from recon.records import Events


@dataclass(frozen=True, slots=True)
class Athlete:
    """What the session file says about the person, and a stated margin of the shoe.

    shoe_margin_m: how far the shoe's outline reaches beyond the toe and heel keypoints. 15 mm: a shoe's
    toe box and sole beyond the toes (common practice; its u of 10 mm enters the foot-fault clearance).
    """

    height_m: float | None = None
    shoe_margin_m: float = 0.015
    u_shoe_margin_m: float = 0.010


@dataclass(frozen=True, slots=True)
class Reading:
    """One evaluated measure: a value with the time it was taken, or the reason for its absence."""

    value: float | None
    t_s: float | None = None
    note: str = ""
    reason: str = ""


Compute = Callable[[Body, Events, Athlete], Reading]


@dataclass(frozen=True, slots=True)
class Definition:
    """A measure: its names, unit, evidence grade and function.

    evidence: "published" (a band with a source exists), "common practice" or "definition" (no band).
    """

    name: str
    label: str
    unit: str
    evidence: str
    compute: Compute


def absent(reason: str) -> Reading:
    """A reading that could not be taken."""
    return Reading(None, reason=reason)


def missing_event(events: Events, *names: str) -> str | None:
    """Why a measure that needs these events cannot be taken; None where all are there."""
    for name in names:
        event = events.of(name)
        if event.t_s is None:
            return f"{name.replace('_', ' ')} could not be found: {event.reason}"
    return None
