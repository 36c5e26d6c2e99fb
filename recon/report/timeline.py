"""The serve's events along a line of time, as inline SVG."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup, escape

from recon.report.svg import FAINT, INK

_WIDTH_PX, _LINE_Y_PX, _ROW_PX = 920, 78, 17
_SIDE_PX = 60
_LETTER_PX = 6.4
_STEPS_S = (0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0)


def timeline(events: Sequence[tuple[str, float]]) -> Markup | None:
    """Events as (words, rig time); None where fewer than two are known."""
    if len(events) < 2:
        return None
    rows = sorted(events, key=lambda row: row[1])
    first, last = rows[0][1], rows[-1][1]
    scale = (_WIDTH_PX - 2 * _SIDE_PX) / max(last - first, 1e-6)
    marks, row_ends = [], [-1e9] * 4
    for words, t in rows:
        x = _SIDE_PX + (t - first) * scale
        half = len(words) * _LETTER_PX / 2
        row = next((n for n, end in enumerate(row_ends) if x - half > end + 8), len(row_ends) - 1)
        row_ends[row] = x + half
        y = _LINE_Y_PX - 14 - row * _ROW_PX
        marks.append(
            f'<line x1="{x:.1f}" y1="{_LINE_Y_PX}" x2="{x:.1f}" y2="{y + 3:.1f}" stroke="{FAINT}"/>'
            f'<circle cx="{x:.1f}" cy="{_LINE_Y_PX}" r="4.5" fill="{INK}"/>'
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="middle" font-size="12" fill="{INK}" '
            f'paint-order="stroke" stroke="#fff" stroke-width="4">{escape(words)}</text>'
        )
    line = (
        f'<line x1="{_SIDE_PX}" y1="{_LINE_Y_PX}" x2="{_WIDTH_PX - _SIDE_PX}" y2="{_LINE_Y_PX}" '
        f'stroke="{INK}" stroke-width="1.5"/>'
    )
    return Markup(
        f'<svg viewBox="0 0 {_WIDTH_PX} 112" role="img" xmlns="http://www.w3.org/2000/svg">'
        f"<title>Events of the serve in time</title>{line}{_ticks(first, last, scale)}{''.join(marks)}</svg>"
    )


def _ticks(first: float, last: float, scale: float) -> str:
    """Whole steps of time since the first event, a handful of them."""
    step = next((s for s in _STEPS_S if (last - first) / s <= 10), _STEPS_S[-1])
    out = []
    for n in np.arange(0, int((last - first) / step) + 1):
        x = _SIDE_PX + n * step * scale
        out.append(
            f'<line x1="{x:.1f}" y1="{_LINE_Y_PX}" x2="{x:.1f}" y2="{_LINE_Y_PX + 8}" stroke="{FAINT}"/>'
            f'<text x="{x:.1f}" y="{_LINE_Y_PX + 22}" text-anchor="middle" font-size="11" fill="#52606D">'
            f"{n * step:g} s</text>"
        )
    return "".join(out)
