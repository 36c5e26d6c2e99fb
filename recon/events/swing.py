"""Instants of hands and racket: start, lift, release, trophy, racket low point, contact."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import Body, spine_plane, unit
from recon.curves import largest, stretch
from recon.events.legs import rises_from
from recon.events.making import EventOptions, absent, found, needs
from recon.records import BallFlight, Event

_REST_S = 0.25  # a stance is the last 0.2 s of rest, and it takes some frames to tell rest
_U_FLIGHT_S = 0.0005  # of an instant that the ball's own path tells
_LIFT_SHARE = 0.10  # of the tossing hand's greatest upward speed: below it the lift has not begun


def _speed(v: Array) -> Array:
    return np.asarray(np.nan_to_num(np.linalg.norm(v, axis=1)))


def contact(body: Body, flight: BallFlight | None) -> Event:
    """The break of the ball's flight, else its closest approach to the tip, else the fastest tip or wrist."""
    if flight is not None and flight.contact_s is not None:
        return found("contact", flight.contact_s, _U_FLIGHT_S)
    tip = body.point("racket_tip")
    with_tip = not np.isnan(tip).all()
    speed = _speed(body.rate("racket_tip" if with_tip else "hitting_wrist"))
    at, fastest = largest(body.t_s, speed)
    if fastest < 2.0:
        return absent("contact", "neither racket nor hitting hand ever moves faster than 2 m/s")
    if flight is not None and with_tip:
        near = body.between(at - 0.1, at + 0.1)
        apart = np.linalg.norm(tip[near] - flight.at(body.t_s[near]), axis=1)
        closest, _ = largest(body.t_s[near], -apart)
        if not np.isnan(closest):
            return found("contact", closest, max(body.step_s / 2, 0.005))
    return found("contact", at, 0.015 if with_tip else 0.025)


def start(body: Body, met: Event, options: EventOptions) -> Event:
    """First sustained motion of a hand or the racket after the last rest before contact."""
    if met.t_s is None:
        return needs("start", met)
    hands = [n for n in ("tossing_wrist", "hitting_wrist", "racket_butt") if not np.isnan(body.point(n)).all()]
    if not hands:
        return absent("start", "neither wrists nor racket were seen")
    fast = np.max([_speed(body.rate(n)) for n in hands], axis=0) > options.start_speed_m_s
    hold = max(2, round(options.start_hold_s / body.step_s))
    sustained = np.convolve(fast & (body.t_s < met.t_s), np.ones(hold), mode="valid") >= hold - 0.5
    if not sustained.any():
        return absent("start", "no sustained motion of a hand before contact")
    # the last rest before contact that is long enough to be a stance; a ball bounced earlier is no start
    first = int(np.flatnonzero(sustained)[0])
    for k in np.flatnonzero(sustained):
        quiet = body.between(float(body.t_s[k]) - _REST_S, float(body.t_s[k]) - body.step_s / 2)
        if len(quiet) and not fast[quiet].any():
            first = int(k)
    if body.t_s[first] - body.t_s[0] < _REST_S:
        return absent("start", f"no {_REST_S} s of rest before the hands move; start filming earlier")
    return found("start", float(body.t_s[first]), 0.03)


def stance(begin: Event) -> Event:
    """The middle of the last 0.2 s of rest."""
    if begin.t_s is None or begin.u_s is None:
        return needs("stance", begin)
    return found("stance", begin.t_s - 0.1, begin.u_s)


def release(body: Body, flight: BallFlight | None, met: Event) -> Event:
    """As ball and hand together tell; without a ball, the tossing wrist's greatest upward speed."""
    if flight is not None and flight.release_s is not None:
        return found("release", flight.release_s, _U_FLIGHT_S)
    if flight is not None:
        return found("release", flight.t0_s, max(1.5 * body.step_s, 0.022))
    at = _fastest_lift(body, met)
    if at is None:
        return absent("release", "neither the ball nor the tossing wrist was seen before contact")
    return found("release", at, 0.05)


def _fastest_lift(body: Body, met: Event) -> float | None:
    if met.t_s is None:
        return None
    begin = max(met.t_s - 1.5, float(body.t_s[0]))
    at, _ = largest(*stretch(body.t_s, body.rate("tossing_wrist")[:, 2], begin, met.t_s - 0.2))
    return None if np.isnan(at) else at


def lift_start(body: Body, met: Event, options: EventOptions) -> Event:
    """Back from the tossing wrist's greatest upward speed, where it falls to a tenth of that."""
    if met.t_s is None:
        return needs("lift_start", met)
    begin = max(met.t_s - 2.0, float(body.t_s[0]))
    times, climb = stretch(body.t_s, body.rate("tossing_wrist")[:, 2], begin, met.t_s - 0.2)
    if not len(times) or np.isnan(climb).all():
        return absent("lift_start", "the tossing wrist was not seen before contact")
    at = rises_from(times, climb, _LIFT_SHARE)
    if at is None:
        return absent("lift_start", "the tossing hand goes up from the first instant that was seen")
    return found("lift_start", at, options.u_onset_s / 2)


def racket_low(body: Body, met: Event) -> Event:
    """Last lowest point of the tip before contact with the tip behind the trunk."""
    if met.t_s is None:
        return needs("racket_low", met)
    window = body.between(met.t_s - 0.5, met.t_s)
    if len(window) < 5:
        return absent("racket_low", "contact comes too early in what two cameras saw")
    tip = body.point("racket_tip")[window]
    if np.isnan(tip).all():
        return _deepest_lay_back(body, met.t_s)
    plane = spine_plane(body)
    behind = ((tip - plane.origin_m[window]) * plane.front[window]).sum(axis=1) < 0
    z = tip[:, 2]
    inner = np.arange(1, len(window) - 1)
    lowest = inner[(z[inner] <= z[inner - 1]) & (z[inner] <= z[inner + 1]) & behind[inner]]
    if not len(lowest):
        return absent("racket_low", "the tip has no lowest point behind the trunk before contact")
    around = slice(int(lowest[-1]) - 1, int(lowest[-1]) + 2)
    at, _ = largest(body.t_s[window][around], -z[around])
    return found("racket_low", at, max(body.step_s / 4, 0.002))


def _deepest_lay_back(body: Body, met_s: float) -> Event:
    """Without a racket: when the hitting forearm points farthest back from the trunk's front."""
    forearm = unit(body.point("hitting_wrist") - body.point("hitting_elbow"))
    back = -(forearm * spine_plane(body).front).sum(axis=1)
    at, _ = largest(*stretch(body.t_s, back, max(met_s - 0.5, float(body.t_s[0])), met_s))
    if np.isnan(at):
        return absent("racket_low", "neither racket tip nor hitting forearm was seen before contact")
    return found("racket_low", at, 0.03)


def trophy(body: Body, let_go: Event, low: Event) -> Event:
    """Greatest height of the tossing wrist between release and racket low point."""
    if let_go.t_s is None or low.t_s is None:
        return needs("trophy", let_go, low)
    times, z = stretch(body.t_s, body.point("tossing_wrist")[:, 2], let_go.t_s, low.t_s)
    if not len(times) or np.isnan(z).all():
        return absent("trophy", "the tossing wrist was not seen between release and racket low point")
    at, _ = largest(times, z)
    return found("trophy", at, body.step_s)
