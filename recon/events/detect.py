"""Names the instants of a serve. Definitions: docs/measures.md, section "Events"."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from recon.body import Body, knee_flexion_rad, spine_plane, unit
from recon.ground import FOOT_POINTS, ground_contact
from recon.records import BallFlight, Event, Events

_U_RELEASE_S = 0.022
"""The ball's last centimetres in the opening hand lie on its parabola within the noise: the fitted release came
17 to 24 ms early on the demo serves and on invented flights."""
_REST_S = 0.25  # a stance is the last 0.2 s of rest, and it takes some frames to tell rest
_U_PUSH_OFF_S = 0.030
_U_LANDING_S = 0.045
"""From the demo serves: push-off 0 to 34 ms early, landing 37 to 57 ms late, for a foot is told on the ground
only when it is low and slow."""


@dataclass(frozen=True, kw_only=True, slots=True)
class EventOptions:
    """Limits that tell rest from motion and ground from air.

    start_speed_m_s, start_hold_s  a hand is under way when it keeps this speed this long; a still player
                     sways at less than 0.1 m/s (common practice)
    rise_m, foot_speed_m_s  a foot point touches the ground below this rise over its standing height, and
                     moving up or down slower than this (measures page)
    """

    start_speed_m_s: float = 0.35
    start_hold_s: float = 0.08
    rise_m: float = 0.03
    foot_speed_m_s: float = 0.25

    def __post_init__(self) -> None:
        if min(self.start_speed_m_s, self.start_hold_s, self.rise_m, self.foot_speed_m_s) <= 0:
            raise BadInput(f"events: want positive limits, got {self}")


def detect_events(
    body: Body,
    flight: BallFlight | None,
    broken: tuple[float, float] | None,
    options: EventOptions | None = None,
) -> Events:
    """All instants of one serve, each with an uncertainty or the reason why it is absent.

    broken: (rig time, u) at which the ball's flight was broken by the racket, if that was seen.
    """
    options = options or EventOptions()
    frame = float(np.median(np.diff(body.t_s)))
    contact = _contact(body, flight, broken, frame)
    start = _start(body, contact, options, frame)
    stance = _shifted(start, "stance", -0.1)
    release = _release(body, flight, contact, frame)
    push_off = _push_off(body, start, contact, options, frame)
    deepest = _deepest_bend(body, start, push_off, frame)
    low = _racket_low(body, contact, frame)
    trophy = _trophy(body, release, low, frame)
    landing = _landing(body, start, push_off, contact, options, frame)
    return Events((stance, start, release, trophy, deepest, push_off, low, contact, landing))


def _absent(name: str, *needs: Event, why: str = "") -> Event:
    missing = [n.name for n in needs if n.t_s is None]
    return Event(name, None, None, why or f"needs {' and '.join(missing)}, which could not be found")


def _shifted(event: Event, name: str, by_s: float) -> Event:
    if event.t_s is None or event.u_s is None:
        return _absent(name, event)
    return Event(name, event.t_s + by_s, event.u_s)


def _speed(v: Array) -> Array:
    return np.asarray(np.nan_to_num(np.linalg.norm(v, axis=1)))


def _contact(body: Body, flight: BallFlight | None, broken: tuple[float, float] | None, frame: float) -> Event:
    if broken is not None:
        return Event("contact", broken[0], broken[1])
    tip = body.point("racket_tip")
    if np.isnan(tip).all():
        speed, u = _speed(body.rate("hitting_wrist")), 0.02
    else:
        speed, u = _speed(body.rate("racket_tip")), 0.01
    fastest = int(speed.argmax())
    if speed[fastest] < 2.0:
        return Event("contact", None, None, "neither racket nor hitting hand ever moves faster than 2 m/s")
    if flight is None or np.isnan(tip).all():
        return Event("contact", float(body.t_s[fastest]), u)
    near = body.between(body.t_s[fastest] - 0.1, body.t_s[fastest] + 0.1)
    apart = np.linalg.norm(tip[near] - flight.at(body.t_s[near]), axis=1)
    if np.isnan(apart).all():
        return Event("contact", float(body.t_s[fastest]), u)
    return Event("contact", float(body.t_s[near][np.nanargmin(apart)]), max(frame / 2, 0.005))


def _start(body: Body, contact: Event, options: EventOptions, frame: float) -> Event:
    if contact.t_s is None:
        return _absent("start", contact)
    hands = [n for n in ("tossing_wrist", "hitting_wrist", "racket_butt") if not np.isnan(body.point(n)).all()]
    if not hands:
        return Event("start", None, None, "neither wrists nor racket were seen")
    fast = np.max([_speed(body.rate(n)) for n in hands], axis=0) > options.start_speed_m_s
    hold = max(2, round(options.start_hold_s / frame))
    before = body.t_s < contact.t_s
    sustained = np.convolve(fast & before, np.ones(hold), mode="valid") >= hold - 0.5
    if not sustained.any():
        return Event("start", None, None, "no sustained motion of a hand before contact")
    # the last rest before contact that is long enough to be a stance; a ball bounced earlier is no start
    first = int(np.flatnonzero(sustained)[0])
    for k in np.flatnonzero(sustained):
        quiet = body.between(float(body.t_s[k]) - _REST_S, float(body.t_s[k]) - frame / 2)
        if len(quiet) and not fast[quiet].any():
            first = int(k)
    if body.t_s[first] - body.t_s[0] < _REST_S:
        return Event(
            "start", None, None, f"no {_REST_S} s of rest before the hands move; start filming earlier"
        )
    return Event("start", float(body.t_s[first]), 0.03)


def _release(body: Body, flight: BallFlight | None, contact: Event, frame: float) -> Event:
    if flight is not None:
        return Event("release", flight.t0_s, max(1.5 * frame, _U_RELEASE_S))
    if contact.t_s is None:
        return _absent("release", contact)
    before = body.between(contact.t_s - 1.5, contact.t_s - 0.2)
    rise = body.rate("tossing_wrist")[before, 2]
    if not len(before) or np.isnan(rise).all():
        return Event("release", None, None, "neither the ball nor the tossing wrist was seen before contact")
    return Event("release", float(body.t_s[before][np.nanargmax(rise)]), 0.05)


def _touching(body: Body, foot: str, start: Event, options: EventOptions) -> NDArray[np.bool_]:
    assert start.t_s is not None  # callers check; this keeps the type checker's view the same
    rest = (start.t_s - 0.25, start.t_s)
    points = [
        ground_contact(body, foot, p, stance_s=rest, rise_m=options.rise_m, speed_m_s=options.foot_speed_m_s)
        for p in FOOT_POINTS
    ]
    return np.asarray(points[0] | points[1])


def _foot_unseen(body: Body, foot: str) -> NDArray[np.bool_]:
    heel, toe = body.point(f"{foot}_heel"), body.point(f"{foot}_toe")
    return np.asarray(np.isnan(heel[:, 0]) | np.isnan(toe[:, 0]))


def _push_off(body: Body, start: Event, contact: Event, options: EventOptions, frame: float) -> Event:
    if start.t_s is None or contact.t_s is None:
        return _absent("push_off", start, contact)
    window = body.between(start.t_s, contact.t_s)
    touching, unseen = _touching(body, "front", start, options)[window], _foot_unseen(body, "front")[window]
    if not touching.any():
        return Event("push_off", None, None, "the front foot is never on the ground between start and contact")
    last = int(np.flatnonzero(touching)[-1])
    if last < len(window) - 1:
        if unseen[last + 1]:
            return Event("push_off", None, None, "the front foot was lost from sight while on the ground")
        return Event("push_off", float(body.t_s[window[last]]), _U_PUSH_OFF_S)
    rise = body.rate("left_hip")[window, 2] + body.rate("right_hip")[window, 2]
    if np.isnan(rise).all():
        return Event("push_off", None, None, "the front foot stays down and the hips were not seen")
    return Event("push_off", float(body.t_s[window[np.nanargmax(rise)]]), 0.03)


def _deepest_bend(body: Body, start: Event, push_off: Event, frame: float) -> Event:
    if start.t_s is None or push_off.t_s is None:
        return _absent("deepest_bend", start, push_off)
    window = body.between(start.t_s, push_off.t_s)
    bend = (knee_flexion_rad(body, "front") + knee_flexion_rad(body, "back"))[window] / 2
    if not len(window) or np.isnan(bend).all():
        return Event("deepest_bend", None, None, "hips, knees and ankles were not seen together")
    return Event("deepest_bend", float(body.t_s[window[np.nanargmax(bend)]]), max(2 * frame, 0.02))


def _racket_low(body: Body, contact: Event, frame: float) -> Event:
    if contact.t_s is None:
        return _absent("racket_low", contact)
    window = body.between(contact.t_s - 0.5, contact.t_s)
    tip = body.point("racket_tip")[window]
    if len(window) < 5:
        return Event("racket_low", None, None, "contact comes too early in what two cameras saw")
    if np.isnan(tip).all():
        return _deepest_lay_back(body, window)
    plane = spine_plane(body)
    behind = ((tip - plane.origin_m[window]) * plane.front[window]).sum(axis=1) < 0
    height = tip[:, 2]
    inner = np.arange(1, len(window) - 1)
    lowest = inner[(height[inner] <= height[inner - 1]) & (height[inner] <= height[inner + 1]) & behind[inner]]
    if not len(lowest):
        return Event("racket_low", None, None, "the tip has no lowest point behind the trunk before contact")
    return Event("racket_low", float(body.t_s[window[lowest[-1]]]), max(frame, 0.008))


def _deepest_lay_back(body: Body, window: NDArray[np.intp]) -> Event:
    """Without a racket: when the hitting forearm points farthest back from the trunk's front."""
    forearm = body.point("hitting_wrist") - body.point("hitting_elbow")
    back = -(unit(forearm) * spine_plane(body).front).sum(axis=1)[window]
    if np.isnan(back).all():
        return Event("racket_low", None, None, "neither racket tip nor hitting forearm was seen before contact")
    return Event("racket_low", float(body.t_s[window[np.nanargmax(back)]]), 0.03)


def _trophy(body: Body, release: Event, low: Event, frame: float) -> Event:
    if release.t_s is None or low.t_s is None:
        return _absent("trophy", release, low)
    window = body.between(release.t_s, low.t_s)
    height = body.point("tossing_wrist")[window, 2]
    if not len(window) or np.isnan(height).all():
        return Event(
            "trophy", None, None, "the tossing wrist was not seen between release and racket low point"
        )
    # near its top the wrist moves slowly: the time is known only as well as the height tells heights apart
    near_top = np.flatnonzero(height > np.nanmax(height) - 0.01)
    half_width = (float(body.t_s[window[near_top[-1]]]) - float(body.t_s[window[near_top[0]]])) / 2
    return Event("trophy", float(body.t_s[window[np.nanargmax(height)]]), max(half_width / np.sqrt(3), frame))


def _landing(
    body: Body, start: Event, push_off: Event, contact: Event, options: EventOptions, frame: float
) -> Event:
    if start.t_s is None or push_off.t_s is None or contact.t_s is None:
        return _absent("landing", start, push_off, contact)
    after = body.between(push_off.t_s, float(body.t_s[-1]))
    down = (_touching(body, "front", start, options) | _touching(body, "back", start, options))[after]
    if down.all():
        return Event("landing", None, None, "a foot stays on the ground throughout: there was no flight")
    unseen = (_foot_unseen(body, "front") & _foot_unseen(body, "back"))[after]
    first_air = int(np.flatnonzero(~down)[0])
    landed = np.flatnonzero(down[first_air:])
    if not len(landed):
        return Event("landing", None, None, "no foot was seen on the ground again after push-off")
    touched = first_air + int(landed[0])
    if unseen[max(touched - 1, 0)]:
        return Event("landing", None, None, "the feet were not seen when they came down")
    return Event("landing", float(body.t_s[after[touched]]), _U_LANDING_S)
