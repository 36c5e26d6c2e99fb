"""Takes every measure of the catalogue, with its uncertainty by Monte Carlo, source by source."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from calibration.checks import Array
from calibration.errors import BadInput
from recon.body import Body
from recon.curves import rate
from recon.measures.catalogue import MEASURES, Athlete, Entry, Reading, Serve
from recon.measures.lines import CLEARANCES
from recon.measures.swing import LINKS, order
from recon.records import BallFlight, Event, Events, Measure, MeasureSet, Motion
from recon.uncertainty import Displacements

_K95 = 1.96
_NOTHING = 1e-9  # metres, radians: below it a source does not touch the measure, whatever rounding says
_EVENTS, _SHOE, _AIR, _HEIGHT = "event times", "shoe outline", "air", "standing height"
_RETIMED = ("pixels", "clocks", "joint centres")  # cameras move a whole body alike: no instant hangs on that
_TOUCHED = {_SHOE: ("lines",), _AIR: ("toss", "contact"), _HEIGHT: ("contact",)}
"""Families that a source can move at all; the others are not evaluated on its draws."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasureOptions:
    """draws of event times, shoe margin and air; seed of their generator."""

    draws: int = 80
    seed: int = 20262

    def __post_init__(self) -> None:
        if self.draws < 20:
            raise BadInput(f"measures: want draws >= 20, got {self.draws}")


Detect = Callable[[Body, BallFlight | None], Events]
"""How the instants of a serve are found in body and ball."""


@dataclass(frozen=True, slots=True)
class Taken:
    """The measures of one serve, and its events with all that makes their times unsure."""

    measures: MeasureSet
    events: Events


def measure(
    motion: Motion,
    events: Events,
    handedness: str,
    athlete: Athlete,
    draws: Sequence[Displacements],
    options: MeasureOptions | None = None,
    *,
    ball: BallFlight | None = None,
    detect: Detect | None = None,
) -> Taken:
    """All measures of one serve.

    Each source of error (the displacements, the events' own times, the shoe's margin, the standing height, the
    air's drag) is propagated on its own while the others stand still, and what posture and smoothing leave is
    added as the definition states it; u is the root of the sum of their squares (the sources
    are independent). A source that shifts the mean of a measure, as noise does with a largest or smallest
    value, counts with that shift as well as with its spread. The 95 % interval is value ± 1.96 u, cut at zero
    where a measure cannot be negative. Method: JCGM 101:2008, one run per source, so that each share is known.

    detect finds the events anew in every moved serve, so that an instant told by a noisy curve moves with the
    noise; `events` hold their methods' own u, which alone make up the source "event times". Without it the
    events stay where they are. The events that come back carry everything.
    """
    options = options or MeasureOptions()
    serve = Serve(Body.of(motion, handedness), events, athlete, ball)
    nominal = {name: entry.compute(serve) for name, entry in MEASURES.items()}
    rng = np.random.default_rng(options.seed)
    spread: dict[str, dict[str, float]] = {name: {} for name in MEASURES}
    wander = _Wander(events)
    for d in draws:
        rows, taken = [], _touched(nominal, d.source)
        for moved in _displaced(serve, d, rng, detect if d.source in _RETIMED else None):
            rows.append(_values(taken, moved))
            wander.add(d.source, moved.events)
        _add(spread, d.source, nominal, rows)
    others = {_EVENTS: [replace(serve, events=_jittered(events, rng)) for _ in range(options.draws)]}
    margins = athlete.shoe_margin_m + athlete.u_shoe_margin_m * rng.standard_normal(options.draws)
    others[_SHOE] = [replace(serve, athlete=replace(athlete, shoe_margin_m=float(m))) for m in margins]
    if athlete.height_m is not None:
        heights = athlete.height_m + athlete.u_height_m * rng.standard_normal(options.draws)
        others[_HEIGHT] = [replace(serve, athlete=replace(athlete, height_m=float(h))) for h in heights]
    if ball is not None:
        others[_AIR] = [replace(serve, ball=b) for b in ball.draws(_AIR, options.draws, rng)]
    for source, serves in others.items():
        taken = _touched(nominal, source)
        _add(spread, source, nominal, [_values(taken, moved) for moved in serves])
    records = (_record(entry, nominal[name], spread[name], serve) for name, entry in MEASURES.items())
    return Taken(MeasureSet(tuple(records)), wander.told())


class _Wander:
    """How far the events' times go in the draws of each source."""

    def __init__(self, events: Events) -> None:
        self._events = events
        self._times: dict[str, list[list[float]]] = {}

    def add(self, source: str, moved: Events) -> None:
        """One draw's events."""
        times = (moved.time(e.name) for e in self._events.events)
        self._times.setdefault(source, []).append([np.nan if t is None else t for t in times])

    def told(self) -> Events:
        """The events, their own u and the spread and shift of every source together."""
        squares = np.zeros(len(self._events.events))
        here = np.array([np.nan if e.t_s is None else e.t_s for e in self._events.events])
        for rows in self._times.values():
            off = np.array(rows) - here
            known = np.isfinite(off).sum(axis=0) >= len(rows) / 2
            squares[known] += np.nanmean(off[:, known] ** 2, axis=0)
        return Events(
            tuple(
                e if e.u_s is None else replace(e, u_s=float(np.sqrt(e.u_s**2 + square)))
                for e, square in zip(self._events.events, squares, strict=True)
            )
        )


def _touched(nominal: Mapping[str, Reading], source: str) -> Mapping[str, Entry]:
    """The measures that were taken and that a source may move."""
    return {
        name: entry
        for name, entry in MEASURES.items()
        if nominal[name].value is not None
        and (source not in _TOUCHED or entry.definition.family in _TOUCHED[source])
    }


def _displaced(
    serve: Serve, by: Displacements, rng: np.random.Generator, detect: Detect | None
) -> Iterable[Serve]:
    """The serve under each draw of one source: body, velocities, the ball by the same errors, events."""
    body, ball, count = serve.body, serve.ball, len(by.moved_m)
    balls: Sequence[BallFlight | None] = (None,) * count
    if ball is not None:
        if by.errors is not None:
            balls = ball.moved_by(by.source, by.errors)
        else:
            balls = ball.draws(by.source, count, rng) if by.source == "pixels" else (ball,) * count
    for dx, thrown in zip(by.moved_m, balls, strict=True):
        moved = replace(body, xyz_m=body.xyz_m + dx, velocity_m_s=body.velocity_m_s + rate(body.t_s, dx))
        yield replace(serve, body=moved, ball=thrown, events=detect(moved, thrown) if detect else serve.events)


def _values(wanted: Mapping[str, Entry], serve: Serve) -> Mapping[str, float | None]:
    return {name: entry.compute(serve).value for name, entry in wanted.items()}


def _jittered(events: Events, rng: np.random.Generator) -> Events:
    """The events, each moved by its own uncertainty."""
    moved: list[Event] = []
    for e in events.events:
        # drawn also for absent events, so that the others do not depend on them
        shift = float(rng.standard_normal())
        moved.append(e if e.t_s is None or e.u_s is None else replace(e, t_s=e.t_s + shift * e.u_s))
    return Events(tuple(moved))


def _add(
    spread: dict[str, dict[str, float]],
    source: str,
    nominal: Mapping[str, Reading],
    draws: Sequence[Mapping[str, float | None]],
) -> None:
    for name in draws[0] if draws else ():
        value = nominal[name].value
        drawn: Array = np.array([d[name] for d in draws if d[name] is not None], dtype=float)
        if value is None or len(drawn) < len(draws) / 2:
            spread[name][source] = np.inf  # taken away more often than not: no u can be stated
            continue
        u = float(np.sqrt(drawn.var(ddof=1) + (drawn.mean() - value) ** 2))
        if u > _NOTHING:
            spread[name][source] = u


def _record(entry: Entry, reading: Reading, sources: Mapping[str, float], serve: Serve) -> Measure:
    d = entry.definition
    if reading.value is None:
        return Measure(d.name, d.label, d.unit, None, reason=reading.reason)
    left = {"posture": d.posture_u, "smoothing": d.smoothed * abs(reading.value)}
    sources = dict(sources) | {source: s for source, s in left.items() if s > 0}
    if (
        not sources and reading.value != 0
    ):  # a zero that no draw moves is one: how far a tip crossed that stays away
        return Measure(d.name, d.label, d.unit, None, reason="its uncertainty could not be evaluated")
    lost = [source for source, s in sources.items() if not np.isfinite(s)]
    if lost:
        reason = f"with {' and '.join(lost)} moved within their uncertainty it could mostly not be taken"
        return Measure(d.name, d.label, d.unit, None, reason=reason)
    u = float(np.sqrt(sum(s**2 for s in sources.values())))
    low, high = reading.value - _K95 * u, reading.value + _K95 * u
    note = order(serve) if d.name in LINKS else _note(d.name, reading.value, reading.note, u, low, high)
    if d.sign == "never negative":
        low = max(low, 0.0)
    return Measure(d.name, d.label, d.unit, reading.value, u, low, high, sources, reading.t_s, note)


def _note(name: str, value: float, note: str, u: float, low: float, high: float) -> str:
    if name in CLEARANCES:
        word = "clear" if low > 0 else "touching" if high < 0 else "cannot be told"
        return f"{word}; {note}" if note else word
    if name == "spine_plane_min":
        crossed = float(ndtr(-value / u))
        share = "over 99%" if crossed > 0.99 else "under 1%" if crossed < 0.01 else f"{crossed:.0%}"
        return f"{note}; probability that it crossed: {share}"
    return note
