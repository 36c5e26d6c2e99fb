"""Measured values in the words and units that a coach reads, rounded to their own uncertainty.

Stored values are SI; here, and only here, they become centimetres and degrees. A value is shown as
value ± expanded uncertainty (k = 2); the expanded uncertainty keeps one significant digit, or two where
they read 10 to 35, and the value is rounded to the same place: 0.3137 m with u = 0.0421 m reads "31 ± 8 cm".
One click deeper u keeps two digits: "31.4 cm, u 4.2 cm".
Source of the words and of the two-digit limit: JCGM 100:2008, 6.2 and 7.2.6.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal

import numpy as np

from recon.records import ASSUMED, NOT_TOLD, Clock, Clocks, Event, Measure

COVERAGE_FACTOR = 2.0
"""k of the expanded uncertainty shown beside a value."""

_UNITS = {
    "m": (100.0, " cm"), "rad": (180.0 / np.pi, "°"), "s": (1.0, " s"), "1": (1.0, ""), "m/s": (1.0, " m/s"),
    "rad/s": (180.0 / np.pi, "°/s"),
}  # fmt: skip
_MINUS = "−"


def scale_of(unit: str) -> tuple[float, str]:
    """(factor, suffix) from an SI unit to the one a person reads; the suffix carries its own space."""
    return _UNITS[unit]


def expanded_text(u: float, unit: str) -> str:
    """'± 8 cm' of a standard uncertainty in an SI unit, k = 2."""
    factor, suffix = _UNITS[unit]
    expanded = COVERAGE_FACTOR * u * factor
    return f"± {_at_place(expanded, _expanded_place(expanded))}{suffix}"


def _place(u: float, digits: int) -> int:
    """Decimal place (10**place) of the last kept digit, when `digits` of u are kept."""
    exponent = math.floor(math.log10(u))
    # 9.96 with two digits becomes 10, which has its first digit one place higher
    if round(u / 10.0 ** (exponent - digits + 1)) >= 10**digits:
        exponent += 1
    return exponent - digits + 1


def _expanded_place(expanded: float) -> int:
    """Two digits where they read 10 to 35, else one: rounding then never changes ± by more than an eighth.

    Source: Particle Data Group, Review of Particle Physics, introduction, "Rounding" (354 is its limit).
    """
    two = _place(expanded, 2)
    return two if expanded / 10.0**two < 35.5 else two + 1


def _at_place(value: float, place: int) -> str:
    """The number rounded to 10**place, with a real minus sign and no negative zero."""
    step = Decimal(1).scaleb(place)
    rounded = (Decimal(repr(float(value))) / step).quantize(Decimal(1), ROUND_HALF_EVEN) * step
    text = f"{abs(rounded):.{max(0, -place)}f}"
    return f"{_MINUS}{text}" if rounded < 0 else text


def value_with_uncertainty(value: float, u: float, suffix: str) -> str:
    """'31 ± 8 cm' of a value and its standard uncertainty, both already in the unit of `suffix`.

    With u = 0 there is nothing to round to: three significant digits and no ±.
    """
    expanded = COVERAGE_FACTOR * u
    if expanded <= 0:
        return f"{value:.3g}{suffix}".replace("-", _MINUS)
    place = _expanded_place(expanded)
    return f"{_at_place(value, place)} ± {_at_place(expanded, place)}{suffix}"


def value_text(m: Measure) -> str:
    """What stands beside a measure's label: '31 ± 8 cm', '24 ± 6°' or 'not measured'."""
    if m.value is None or m.u is None:
        return "not measured"
    factor, suffix = scale_of(m.unit)
    return value_with_uncertainty(m.value * factor, m.u * factor, suffix)


def detail_text(m: Measure) -> str:
    """One click deeper: '31.4 cm, u 4.2 cm'; for an absent value its reason."""
    if m.value is None or m.u is None:
        return m.reason
    factor, suffix = scale_of(m.unit)
    if m.u == 0:
        return f"{m.value * factor:.3g}{suffix}".replace("-", _MINUS)
    place = _place(m.u * factor, 2)
    return f"{_at_place(m.value * factor, place)}{suffix}, u {_at_place(m.u * factor, place)}{suffix}"


def interval_text(m: Measure) -> str:
    """The 95 % interval: '23.1 to 39.7 cm'; empty for an absent value."""
    if m.value is None or m.u is None or m.low95 is None or m.high95 is None:
        return ""
    factor, suffix = scale_of(m.unit)
    wide = max(m.u, (m.high95 - m.low95) / 4) * factor
    if wide == 0:
        return f"{m.value * factor:.3g}{suffix}".replace("-", _MINUS)
    place = _place(wide, 2)
    return f"{_at_place(m.low95 * factor, place)} to {_at_place(m.high95 * factor, place)}{suffix}"


def source_texts(m: Measure) -> list[tuple[str, str]]:
    """(source, its share of u), largest first, to the place that u is shown to: [('clocks', '3.1 cm'), …].

    A share too small for that place reads 'under 0.1 cm'.
    """
    factor, suffix = scale_of(m.unit)
    rows = sorted(((name, u * factor) for name, u in m.sources.items() if u > 0), key=lambda row: -row[1])
    if not rows:
        return []
    place = _place((m.u or 0.0) * factor or rows[0][1], 2)
    step = 10.0**place
    return [
        (name, f"{_at_place(u, place)}{suffix}" if u >= step / 2 else f"under {_at_place(step, place)}{suffix}")
        for name, u in rows
    ]


def size_text(size: float, unit: str) -> str:
    """A spread or an uncertainty by itself, in an SI unit, to two digits: '3.4 cm'."""
    factor, suffix = _UNITS[unit]
    return f"{_at_place(size * factor, _place(abs(size) * factor, 2)) if size else '0'}{suffix}"


def limit_text(limit: float, unit: str) -> str:
    """A limit that somebody chose, in an SI unit, as it was written: '20°'."""
    factor, suffix = _UNITS[unit]
    return f"{limit * factor:.4g}{suffix}".replace("-", _MINUS)


def range_text(low: float, high: float, unit: str) -> str:
    """An interval in an SI unit, to two digits of its half width: '−1.2 to 5.6 cm'."""
    factor, suffix = _UNITS[unit]
    half = (high - low) / 2 * factor
    if half <= 0:
        return f"{low * factor:.3g}{suffix}".replace("-", _MINUS)
    place = _place(half, 2)
    return f"{_at_place(low * factor, place)} to {_at_place(high * factor, place)}{suffix}"


def estimate_text(value: float, half_width: float, unit: str) -> str:
    """A value and the half width of its 95 % interval, in an SI unit: '31 ± 8 cm'."""
    factor, suffix = _UNITS[unit]
    return value_with_uncertainty(value * factor, half_width * factor / COVERAGE_FACTOR, suffix)


def time_text(t_s: float) -> str:
    """A rig time: '1.217 s'."""
    return f"{_at_place(t_s, -3)} s"


def event_time_text(e: Event) -> str:
    """When an event took place: '0.980 ± 0.012 s', or 'absent'."""
    if e.t_s is None or e.u_s is None:
        return "absent"
    return value_with_uncertainty(e.t_s, e.u_s, " s")


def clock_texts(clocks: Clocks) -> tuple[tuple[str, str], ...]:
    """(camera, its clock and shutter in words)."""
    return tuple((c.camera, f"{_clock_text(c, clocks.reference)}; {shutter_text(c)}") for c in clocks.clocks)


def _clock_text(c: Clock, reference: str) -> str:
    if c.camera == reference:
        return "its clock is the serve's clock"
    added = f"{value_with_uncertainty(c.offset_s, c.u_s, ' s')} added to its own clock (from {c.source})"
    if c.drift_source == ASSUMED:
        return added
    return f"{added}, gaining {value_with_uncertainty(1e6 * c.drift, 1e6 * c.u_drift, ' µs')} a second"


def shutter_text(c: Clock) -> str:
    """How a camera reads its rows: 'rows read in 8.0 ± 0.8 ms (told)'."""
    if c.readout_s == 0 and c.u_readout_s == 0:
        return f"all rows exposed at once ({c.shutter_source})"
    if c.shutter_source == NOT_TOLD:
        return (
            f"how fast its rows are read was not told, and the motion does not tell: "
            f"{1e3 * c.readout_s:.1f} ms is taken, with u {1e3 * c.u_readout_s:.1f} ms"
        )
    readout = value_with_uncertainty(1e3 * c.readout_s, 1e3 * c.u_readout_s, " ms")
    return f"rows read in {readout} ({c.shutter_source})"
