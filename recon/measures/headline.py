"""The three headline measures: racket tip and spine plane, hip past the baseline, turn of the front foot."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.checks import Array
from recon.body import Body, foot_yaw_rad, tip_to_spine_plane_m
from recon.measures.reading import Athlete, Compute, Reading, absent, missing_event
from recon.records import Events


def spine_plane_min(body: Body, events: Events, _: Athlete) -> Reading:
    """Smallest signed distance of the racket tip from the spine plane between trophy and racket low point.

    The plane holds mid-shoulder and spans the spine axis and the front of the trunk. Metres, positive on the
    hitting side, negative once the tip has crossed to the far side.
    """
    if why := missing_event(events, "trophy", "racket_low"):
        return absent(why)
    window = body.between(_time(events, "trophy"), _time(events, "racket_low"))
    distance, front = (values[window] for values in tip_to_spine_plane_m(body))
    if not len(window):
        return absent("trophy comes after the racket low point")
    if np.isnan(distance).mean() > 0.3:
        return absent("the racket tip was not seen long enough between trophy and racket low point")
    k = int(np.nanargmin(distance))
    if np.isnan(distance[max(k - 1, 0) : k + 2]).any():
        return absent("the racket tip was lost from sight where it comes closest to the spine plane")
    place = "in front of" if front[k] > 0 else "behind"
    across = float((distance < 0).sum() * np.median(np.diff(body.t_s)))
    crossed = f"across for {across:.2f} s" if across else "stays on the hitting side"
    note = f"best estimate: {crossed}, tip then {place} the trunk"
    return Reading(float(distance[k]), float(body.t_s[window[k]]), note)


def spine_plane_at_trophy(body: Body, events: Events, _: Athlete) -> Reading:
    """Signed distance of the racket tip from the spine plane at the trophy position, metres."""
    return _at(body, events, "trophy", tip_to_spine_plane_m(body)[0], "the racket tip was not seen at trophy")


def hip_past_baseline_max(body: Body, events: Events, _: Athlete) -> Reading:
    """Largest distance of the front hip past the rear edge of the baseline from release to push-off, metres."""
    return _largest(body, events, body.point("front_hip")[:, 1], "the front hip was not seen")


def midhip_past_baseline_max(body: Body, events: Events, _: Athlete) -> Reading:
    """The same for the middle of the hips, metres."""
    return _largest(body, events, body.middle("hip")[:, 1], "the hips were not seen")


def hip_past_front_toe_max(body: Body, events: Events, _: Athlete) -> Reading:
    """Largest distance of the front hip past the front toe, towards the net, release to push-off, metres."""
    ahead = body.point("front_hip")[:, 1] - body.point("front_toe")[:, 1]
    return _largest(body, events, ahead, "front hip and toe were not seen together")


def hip_past_baseline_at(event: str) -> Compute:
    """Distance of the front hip past the rear edge of the baseline at one event, metres."""

    def compute(body: Body, events: Events, _: Athlete) -> Reading:
        return _at(body, events, event, body.point("front_hip")[:, 1], "the front hip was not seen then")

    return compute


def front_foot_yaw_at(event: str) -> Compute:
    """Heading of the front foot at one event, radians: 0 along the baseline, +π/2 towards the net."""

    def compute(body: Body, events: Events, _: Athlete) -> Reading:
        if why := missing_event(events, event):
            return absent(why)
        reading = _yaw(body, _time(events, event), 0.1 if event == "stance" else 0.0)
        if reading.value is None:
            return reading
        return Reading(reading.value - _whole_turns(body, events), reading.t_s)

    return compute


def front_foot_turn(body: Body, events: Events, _: Athlete) -> Reading:
    """Change of the front foot's heading, stance to push-off, radians; positive turns the toes to the net."""
    if why := missing_event(events, "stance", "push_off"):
        return absent(why)
    before = _yaw(body, _time(events, "stance"), 0.1)
    after = _yaw(body, _time(events, "push_off"), 0.0)
    if before.value is None or after.value is None:
        return absent(before.reason or after.reason)
    return Reading(after.value - before.value, after.t_s)


def _whole_turns(body: Body, events: Events) -> float:
    """Whole turns, radians, that the heading had gathered before the stance: there it lies in (−π, π]."""
    stance = events.time("stance")
    before = None if stance is None else _yaw(body, stance, 0.1).value
    return 0.0 if before is None else 2 * np.pi * round(before / (2 * np.pi))


def _time(events: Events, name: str) -> float:
    t = events.time(name)
    assert t is not None  # every caller has asked missing_event first
    return t


def _yaw(body: Body, t_s: float, half_width_s: float) -> Reading:
    window = body.between(t_s - half_width_s, t_s + half_width_s) if half_width_s else np.array([body.at(t_s)])
    yaw = foot_yaw_rad(body, "front")[window]
    if not len(window) or np.isnan(yaw).all():
        return absent("heel and toe of the front foot were not seen together")
    return Reading(float(np.nanmedian(yaw)), t_s)


def _at(body: Body, events: Events, event: str, values: Array, unseen: str) -> Reading:
    if why := missing_event(events, event):
        return absent(why)
    k = body.at(_time(events, event))
    return absent(unseen) if np.isnan(values[k]) else Reading(float(values[k]), float(body.t_s[k]))


def _largest(body: Body, events: Events, values: Array, unseen: str) -> Reading:
    if why := missing_event(events, "release", "push_off"):
        return absent(why)
    window = body.between(_time(events, "release"), _time(events, "push_off"))
    if not len(window) or np.isnan(values[window]).all():
        return absent(unseen)
    k = window[int(np.nanargmax(values[window]))]
    return Reading(float(values[k]), float(body.t_s[k]))


at_event: Callable[[Body, Events, str, Array, str], Reading] = _at
