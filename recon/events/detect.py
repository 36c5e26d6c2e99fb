"""Names the instants of a serve. Definitions: docs/measures.md, section "Events"."""

from __future__ import annotations

from collections.abc import Mapping

from recon.body import Body
from recon.events import legs, swing
from recon.events.making import EventOptions
from recon.records import BallFlight, Event, Events


def detect_events(
    body: Body,
    flight: BallFlight | None,
    options: EventOptions | None = None,
    *,
    start: Event | None = None,
) -> Events:
    """All instants of one serve, each with what its method leaves unsure, or the reason why it is absent.

    start: where it is known already. A rest is told by slow hands, and draws of a motion's errors shake.
    """
    options = options or EventOptions()
    contact = swing.contact(body, flight)
    start = start or swing.start(body, contact, options)
    release = swing.release(body, flight, contact)
    low = swing.racket_low(body, contact)
    push_off = legs.push_off(body, start, contact)
    deepest = legs.deepest_bend(body, start, push_off)
    landing = legs.landing(body, start, push_off, contact)
    return Events(
        (
            swing.stance(start),
            start,
            swing.lift_start(body, contact, options),
            release,
            legs.knee_bend_onset(body, start, deepest, options),
            swing.trophy(body, release, low),
            deepest,
            push_off,
            low,
            contact,
            landing,
            legs.settled(body, landing, options),
        )
    )


def told_by_curves(
    body: Body, events: Mapping[str, Event], options: EventOptions | None = None
) -> tuple[Event, ...]:
    """The instants that one curve of the body defines, where the others are known: for a true motion."""
    options = options or EventOptions()
    return (
        swing.lift_start(body, events["contact"], options),
        legs.knee_bend_onset(body, events["start"], events["deepest_bend"], options),
        legs.settled(body, events["landing"], options),
    )
