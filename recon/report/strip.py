"""A strip plot as inline SVG: a dot per serve on a line of values, its interval, and the series' mean."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from recon.repeats import Summary
from recon.report.svg import FAINT, INK
from recon.wording import scale_of

_WIDTH_PX, _LEFT_PX, _RIGHT_PX = 620, 96, 24
_TOP_PX, _SERVE_PX, _GAP_PX, _AXIS_PX = 12, 13, 20, 34
_FAR_PX = 4
_COLOURS = ("#0B5C8F", "#B4530A")
_Scale = Callable[[float], float]
_STEPS = np.array([1.0, 2.0, 5.0])


@dataclass(frozen=True, slots=True)
class StripRow:
    """A series in a strip plot: its name, and the measure's summary."""

    name: str
    summary: Summary


def strip(title: str, rows: Sequence[StripRow]) -> Markup | None:
    """One or two series of one measure over a common axis; None where neither has a value.

    Dots are serves, from top to bottom in order of name, with their 95 % intervals; the bar is the mean with
    its interval.
    """
    rows = [r for r in rows if r.summary.mean is not None]
    if not rows:
        return None
    factor, suffix = scale_of(rows[0].summary.unit)
    low, high = _ends(rows, factor)
    scale = (_WIDTH_PX - _LEFT_PX - _RIGHT_PX) / (high - low)

    def x(value: float) -> float:
        return _LEFT_PX + (value - low) * scale

    y, out = float(_TOP_PX), []
    for row, colour in zip(rows, _COLOURS, strict=False):
        height = _SERVE_PX * row.summary.n
        out.append(_row(row, colour, x, factor, y, height))
        y += height + _GAP_PX
    whole = y + _AXIS_PX
    axis = _axis(low, high, x, y, suffix)
    return Markup(
        f'<svg viewBox="0 0 {_WIDTH_PX} {whole:.0f}" role="img" xmlns="http://www.w3.org/2000/svg">'
        f"<title>{escape(title)}</title>{axis}{''.join(out)}</svg>"
    )


def _ends(rows: Sequence[StripRow], factor: float) -> tuple[float, float]:
    """The axis: just below the lowest interval to just above the highest, with zero where it is near."""
    ends = [(v + k * 1.96 * u) * factor for r in rows for _, v, u in r.summary.values for k in (-1, 1)]
    ends += [e * factor for r in rows for e in (r.summary.low95, r.summary.high95) if e is not None]
    low, high = min(ends), max(ends)
    room = max(high - low, 1e-6)
    low = 0.0 if 0 < low < 0.4 * room else low
    high = 0.0 if -0.4 * room < high < 0 else high
    return low - 0.04 * room, high + 0.04 * room


def _row(row: StripRow, colour: str, x: _Scale, factor: float, y: float, height: float) -> str:
    s = row.summary
    assert s.mean is not None and s.low95 is not None and s.high95 is not None
    left, right = x(s.low95 * factor), x(s.high95 * factor)
    out = [
        f'<text x="{_LEFT_PX - 14}" y="{y + height / 2 + 4:.1f}" text-anchor="end" font-size="12" fill="{INK}">'
        f"{escape(row.name)}</text>",
        f'<rect x="{left:.1f}" y="{y - _FAR_PX:.1f}" width="{max(right - left, 1):.1f}" '
        f'height="{height + 2 * _FAR_PX:.1f}" fill="{colour}" fill-opacity="0.13"/>',
        f'<line x1="{x(s.mean * factor):.1f}" y1="{y - _FAR_PX:.1f}" x2="{x(s.mean * factor):.1f}" '
        f'y2="{y + height + _FAR_PX:.1f}" stroke="{colour}" stroke-width="2.5"/>',
    ]
    for k, (serve, value, u) in enumerate(s.values):
        middle = y + (k + 0.5) * _SERVE_PX
        a, b, v = (x((value + n * 1.96 * u) * factor) for n in (-1, 1, 0))
        out.append(
            f'<g><title>{escape(serve)}</title><line x1="{a:.1f}" y1="{middle:.1f}" x2="{b:.1f}" '
            f'y2="{middle:.1f}" stroke="{colour}" stroke-opacity="0.55"/>'
            f'<circle cx="{v:.1f}" cy="{middle:.1f}" r="4" fill="{colour}"/></g>'
        )
    return "".join(out)


def _axis(low: float, high: float, x: _Scale, y: float, suffix: str) -> str:
    rough = (high - low) / 6
    power = 10.0 ** np.floor(np.log10(rough))
    step = float(power * next((s for s in _STEPS if s * power >= rough), 10.0))
    out = [f'<line x1="{x(low):.1f}" y1="{y:.1f}" x2="{x(high):.1f}" y2="{y:.1f}" stroke="{INK}"/>']
    for n in range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1):
        at, words = x(n * step), f"{n * step:g}{suffix}".replace("-", "−")
        out.append(
            f'<line x1="{at:.1f}" y1="{_TOP_PX - _FAR_PX}" x2="{at:.1f}" y2="{y + 6:.1f}" stroke="{FAINT}" '
            f'stroke-opacity="{0.9 if n == 0 else 0.35}"/>'
            f'<text x="{at:.1f}" y="{y + 20:.1f}" text-anchor="middle" font-size="11" fill="#52606D">'
            f"{words}</text>"
        )
    return "".join(out)
