"""Measures of the INVENTED example: values as the program takes them, uncertainties out of thin air.

For tests of what shows results; nothing here says how sure any measure is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from recon.body import Body
from recon.definitions import DEFINITIONS
from recon.measures import MEASURES, Athlete, Serve
from recon.records import BallFlight, Events, Measure, MeasureSet, Motion

_U = {"m": 0.021, "rad": math.radians(4.4), "s": 0.012, "1": 0.03, "m/s": 0.8, "rad/s": 0.6}
_PARTS = {"pixels": 2.0, "calibration": 1.2, "clocks": 0.8, "joint centres": 2.6, "event times": 0.6}
_LARGEST = {
    "front foot": "pixels", "stance": "pixels", "toss": "event times", "swing": "clocks",
    "contact": "event times", "lines": "shoe outline",
}  # fmt: skip
_HIDDEN = {"back_knee_flexion_deepest": "the back knee was hidden from all cameras but one"}


def example_measures(
    motion: Motion,
    events: Events,
    handedness: str,
    height_m: float,
    ball: BallFlight | None = None,
    hidden: Mapping[str, str] = _HIDDEN,
) -> MeasureSet:
    """All measures; hidden: name -> reason of those that are absent whatever was seen."""
    serve = Serve(Body.of(motion, handedness), events, Athlete(height_m=height_m), ball)
    return MeasureSet(tuple(_measure(name, serve, hidden.get(name, "")) for name in DEFINITIONS))


def _measure(name: str, serve: Serve, hidden: str) -> Measure:
    d, reading = DEFINITIONS[name], MEASURES[name].compute(serve)
    reason = hidden or reading.reason
    if reading.value is None or reason:
        return Measure(name, d.label, d.unit, None, reason=reason)
    u = _U[d.unit]
    parts = dict(_PARTS)
    if d.family in _LARGEST:
        parts[_LARGEST[d.family]] = 4.0
    whole = math.hypot(*parts.values())
    sources = {source: u * part / whole for source, part in parts.items()}
    low, high = reading.value - 1.96 * u, reading.value + 1.96 * u
    note = reading.note or ("clear" if d.family == "lines" else "")
    return Measure(name, d.label, d.unit, reading.value, u, low, high, sources, reading.t_s, note)
