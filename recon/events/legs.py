"""Instants of the legs: onset and depth of the bend, push-off, landing, settled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.body import Body, knee_flexion_rad
from recon.curves import largest, rate, stretch
from recon.events.making import EventOptions, absent, found, needs
from recon.ground import FOOT_POINTS, GROUND, ground_contact, lands_at, leaves_at
from recon.mass import centre_of_mass_m
from recon.records import Event

_U_PUSH_OFF_S = 0.008
_U_LANDING_S = 0.008
"""Of the method alone, on rendered serves with three cameras."""
_U_NO_FLIGHT_S = 0.030
_AROUND_S = 0.12
"""Of a contact's end or beginning: in this time a foot reaches the speed of its flight, or loses it."""
_ONSET_SHARE = 0.10  # of the greatest speed of bending (measures page)


def _rest(start: Event) -> tuple[float, float]:
    t = start.t_s or 0.0
    return t - GROUND.rest_s, t


def touching(body: Body, foot: str, start: Event) -> NDArray[np.bool_]:
    """(T,) whether heel or toe of a foot touches the ground."""
    down = [ground_contact(body, foot, part, stance_s=_rest(start)) for part in FOOT_POINTS]
    return np.asarray(down[0] | down[1])


def _unseen(body: Body, foot: str) -> NDArray[np.bool_]:
    heel, toe = body.point(f"{foot}_heel"), body.point(f"{foot}_toe")
    return np.asarray(np.isnan(heel[:, 0]) | np.isnan(toe[:, 0]))


def push_off(body: Body, start: Event, contact: Event) -> Event:
    """End of the front foot's last ground contact before contact; without one, the pelvis's greatest climb."""
    if start.t_s is None or contact.t_s is None:
        return needs("push_off", start, contact)
    window = body.between(start.t_s, contact.t_s)
    down, unseen = touching(body, "front", start)[window], _unseen(body, "front")[window]
    if not down.any():
        return absent("push_off", "the front foot is never on the ground between start and contact")
    last = int(np.flatnonzero(down)[-1])
    if last < len(window) - 1:
        if unseen[last + 1]:
            return absent("push_off", "the front foot was lost from sight while on the ground")
        t = float(body.t_s[window[last]])
        told = [at for part in FOOT_POINTS if (at := _lifts(body, part, start, t)) is not None]
        return found("push_off", max(told) if told else t, _U_PUSH_OFF_S)
    climb = (body.rate("left_hip") + body.rate("right_hip"))[:, 2] / 2
    at, _ = largest(*stretch(body.t_s, climb, start.t_s, contact.t_s))
    if np.isnan(at):
        return absent("push_off", "the front foot stays down and the hips were not seen")
    return found("push_off", at, _U_NO_FLIGHT_S)


def _lifts(body: Body, part: str, start: Event, t: float) -> float | None:
    """When heel or toe of the front foot left the ground about t, if it was down shortly before."""
    near = body.between(t - _AROUND_S, t + _AROUND_S)
    down = ground_contact(body, "front", part, stance_s=_rest(start))
    if not down[near].any():
        return None
    return leaves_at(body.t_s[near], body.rate(f"front_{part}")[near, 2])


def mean_bend_rad(body: Body) -> Array:
    """(T,) mean flexion of both knees."""
    return np.asarray((knee_flexion_rad(body, "front") + knee_flexion_rad(body, "back")) / 2)


def deepest_bend(body: Body, start: Event, push: Event) -> Event:
    """Greatest mean flexion of the knees between start and push-off."""
    if start.t_s is None or push.t_s is None:
        return needs("deepest_bend", start, push)
    at, _ = largest(*stretch(body.t_s, mean_bend_rad(body), start.t_s, push.t_s))
    if np.isnan(at):
        return absent("deepest_bend", "hips, knees and ankles were not seen together")
    return found("deepest_bend", at, max(body.step_s / 2, 0.004))


def knee_bend_onset(body: Body, start: Event, deepest: Event, options: EventOptions) -> Event:
    """Back from the greatest speed of bending before the deepest bend, where it falls to a tenth of that."""
    if start.t_s is None or deepest.t_s is None:
        return needs("knee_bend_onset", start, deepest)
    begin = max(start.t_s - GROUND.rest_s, float(body.t_s[0]))
    times, speed = stretch(body.t_s, rate(body.t_s, mean_bend_rad(body)), begin, deepest.t_s)
    if not len(times) or np.isnan(speed).all():
        return absent("knee_bend_onset", "hips, knees and ankles were not seen before the deepest bend")
    at = rises_from(times, speed, _ONSET_SHARE)
    if at is None:
        return absent("knee_bend_onset", "the knees bend from the first instant that was seen")
    return found("knee_bend_onset", at, options.u_onset_s)


def rises_from(times: Array, speed: Array, share: float) -> float | None:
    """Back from the greatest of speed (N,), the last time it was this share of it; None where it never was."""
    k = int(np.nanargmax(speed))
    limit = share * float(speed[k])
    below = np.flatnonzero(speed[:k] < limit)
    if not len(below):
        return None
    i = int(below[-1])
    a, b = speed[i], speed[i + 1]
    return float(times[i] + (limit - a) / (b - a) * (times[i + 1] - times[i]))


def landing(body: Body, start: Event, push: Event, contact: Event) -> Event:
    """First ground contact after a flight that follows push-off."""
    if start.t_s is None or push.t_s is None or contact.t_s is None:
        return needs("landing", start, push, contact)
    after = body.between(push.t_s + 2 * body.step_s, float(body.t_s[-1]))
    down = (touching(body, "front", start) | touching(body, "back", start))[after]
    if down.all():
        return absent("landing", "a foot stays on the ground throughout: there was no flight")
    first_air = int(np.flatnonzero(~down)[0])
    if not down[first_air:].any():
        return absent("landing", "no foot was seen on the ground again after push-off")
    touched = first_air + int(np.flatnonzero(down[first_air:])[0])
    if (_unseen(body, "front") & _unseen(body, "back"))[after][max(touched - 1, 0)]:
        return absent("landing", "the feet were not seen when they came down")
    t = float(body.t_s[after[touched]])
    told = [at for foot in ("front", "back") if (at := _comes_down(body, foot, start, push.t_s, t)) is not None]
    return found("landing", min(told) if told else t, _U_LANDING_S)


def _comes_down(body: Body, foot: str, start: Event, push_s: float, t: float) -> float | None:
    """When the first of a foot's points that are down about t met the ground; None where none did."""
    near = body.between(max(push_s, t - _AROUND_S), t + _AROUND_S / 2)
    told = []
    for part in FOOT_POINTS:
        if ground_contact(body, foot, part, stance_s=_rest(start))[body.at(t)]:
            at = lands_at(body.t_s[near], body.rate(f"{foot}_{part}")[near, 2])
            told += [at] if at is not None else []
    return min(told, default=None)


def settled(body: Body, land: Event, options: EventOptions) -> Event:
    """From when on the centre of mass moves over the ground more slowly than a limit for a while."""
    if land.t_s is None:
        return needs("settled", land)
    speed = np.linalg.norm(rate(body.t_s, centre_of_mass_m(body))[:, :2], axis=1)
    after = body.between(land.t_s, float(body.t_s[-1]))
    slow = speed[after] < options.settled_m_s
    hold = max(2, round(options.settled_hold_s / body.step_s))
    held = np.convolve(slow, np.ones(hold), mode="valid") >= hold - 0.5
    if not held.any():
        return absent("settled", "the body was not seen settled after landing; film a second longer")
    return found("settled", float(body.t_s[after[int(np.flatnonzero(held)[0])]]), options.u_settled_s)
