"""Takes every measure of the catalogue, with its uncertainty by Monte Carlo, source by source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from calibration.checks import Array
from calibration.errors import BadInput
from recon.body import Body
from recon.measures.catalogue import MEASURES, Athlete, Definition, Reading
from recon.records import Event, Events, Measure, MeasureSet, Motion
from recon.uncertainty import Displacements

_K95 = 1.96
_NOTHING = 1e-9  # metres, radians: below it a source does not touch the measure, whatever rounding says


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasureOptions:
    """draws of event times and shoe margin; seed of their generator."""

    draws: int = 80
    seed: int = 20262

    def __post_init__(self) -> None:
        if self.draws < 20:
            raise BadInput(f"measures: want draws >= 20, got {self.draws}")


def measure(
    motion: Motion,
    events: Events,
    handedness: str,
    athlete: Athlete,
    draws: Sequence[Displacements],
    options: MeasureOptions | None = None,
) -> MeasureSet:
    """All measures of one serve.

    Each source of error (the displacements, the events' own times, the shoe margin) is propagated on its own
    while the others stand still; u is the root of the sum of their squares (the sources are independent).
    A source that shifts the mean of a measure, as noise does with a largest or smallest value, counts with
    that shift as well as with its spread. The 95 % interval is value ± 1.96 u.
    """
    options = options or MeasureOptions()
    body = Body.of(motion, handedness)
    nominal = {name: d.compute(body, events, athlete) for name, d in MEASURES.items()}
    spread: dict[str, dict[str, float]] = {name: {} for name in MEASURES}
    for source in draws:
        moved = [_values(replace(body, xyz_m=body.xyz_m + dx), events, athlete) for dx in source.moved_m]
        _add(spread, source.source, nominal, moved)
    rng = np.random.default_rng(options.seed)
    timed = [_values(body, _jittered(events, rng), athlete) for _ in range(options.draws)]
    _add(spread, "event times", nominal, timed)
    margins = athlete.shoe_margin_m + athlete.u_shoe_margin_m * rng.standard_normal(options.draws)
    shod = [_values(body, events, replace(athlete, shoe_margin_m=float(m))) for m in margins]
    _add(spread, "shoe outline", nominal, shod)
    return MeasureSet(tuple(_record(d, nominal[name], spread[name]) for name, d in MEASURES.items()))


def _values(body: Body, events: Events, athlete: Athlete) -> Mapping[str, float | None]:
    return {name: d.compute(body, events, athlete).value for name, d in MEASURES.items()}


def _jittered(events: Events, rng: np.random.Generator) -> Events:
    """The events, each moved by its own uncertainty."""
    moved: list[Event] = []
    for e in events.events:
        shift = float(
            rng.standard_normal()
        )  # drawn also for absent events, so that the others do not depend on them
        moved.append(e if e.t_s is None or e.u_s is None else replace(e, t_s=e.t_s + shift * e.u_s))
    return Events(tuple(moved))


def _add(
    spread: dict[str, dict[str, float]],
    source: str,
    nominal: Mapping[str, Reading],
    draws: Sequence[Mapping[str, float | None]],
) -> None:
    for name, reading in nominal.items():
        if reading.value is None:
            continue
        drawn: Array = np.array([d[name] for d in draws if d[name] is not None], dtype=float)
        if len(drawn) < len(draws) / 2:
            spread[name][source] = np.inf  # taken away more often than not: no u can be stated
            continue
        u = float(np.sqrt(drawn.var(ddof=1) + (drawn.mean() - reading.value) ** 2))
        if u > _NOTHING:
            spread[name][source] = u


def _record(definition: Definition, reading: Reading, sources: Mapping[str, float]) -> Measure:
    if reading.value is None:
        return Measure(definition.name, definition.label, definition.unit, None, reason=reading.reason)
    if not sources:
        reason = "its uncertainty could not be evaluated"
        return Measure(definition.name, definition.label, definition.unit, None, reason=reason)
    lost = [source for source, s in sources.items() if not np.isfinite(s)]
    if lost:
        reason = f"with {' and '.join(lost)} moved within their uncertainty it could mostly not be taken"
        return Measure(definition.name, definition.label, definition.unit, None, reason=reason)
    u = float(np.sqrt(sum(s**2 for s in sources.values())))
    low, high = reading.value - _K95 * u, reading.value + _K95 * u
    note = _note(definition.name, reading.value, reading.note, u, low, high)
    return Measure(
        definition.name, definition.label, definition.unit, reading.value, u, low, high, dict(sources),
        reading.t_s, note,
    )  # fmt: skip


def _note(name: str, value: float, note: str, u: float, low: float, high: float) -> str:
    if name == "foot_fault_clearance":
        return "clear" if low > 0 else "touching" if high < 0 else "cannot be told"
    if name == "spine_plane_min":
        crossed = float(ndtr(-value / u))
        share = "over 99%" if crossed > 0.99 else "under 1%" if crossed < 0.01 else f"{crossed:.0%}"
        return f"{note}; probability that it crossed: {share}"
    return note
