"""What every drawing has in common: an angle between two directions, a distance between two points."""

from __future__ import annotations

from typing import Literal

import numpy as np

from calibration.checks import Array
from recon.report.svg import Drawing, arc, turn_between
from recon.scene import palette

MARK = palette.BLACK
LEAST_REACH_M = 0.22
"""To which the broken line of an angle is drawn at least."""
_AWAY_PX = 9.0

Along = Literal["straight", "up", "across"]


def mark_angle(
    drawing: Drawing, corner: Array, start: Array, end: Array, text: str, *, turn: float | None = None
) -> None:
    """The angle from direction `start` (broken line) to `end` (2,), with its arc and value.

    turn: its size with sign, anticlockwise positive, where it is not the short way round.
    """
    turn = turn_between(start, end) if turn is None else turn
    reach = max(float(np.hypot(*end)), LEAST_REACH_M)
    begin = start / max(float(np.hypot(*start)), 1e-9)
    drawing.flat_line(np.stack([corner, corner + reach * begin]), palette.GREY, 1.5, dash="5 4", keep=True)
    drawing.flat_line(np.stack([corner, corner + end]), MARK, 1.6, keep=True)
    bow = arc(corner, begin, turn, 0.62 * reach)
    drawing.flat_line(bow, MARK, 2, arrows="end" if abs(turn) > 0.15 else "", keep=True)
    drawing.dot_flat(corner, MARK, 3.5, rim="#fff")
    drawing.marked = abs(turn)
    put_beside(drawing, corner, bow[len(bow) // 2] - corner, text)


def put_beside(drawing: Drawing, corner: Array, way: Array, text: str) -> None:
    """The value outside an arc's middle, away from its corner."""
    along = way / max(float(np.hypot(*way)), 1e-9)
    anchor = "start" if along[0] > 0.35 else "end" if along[0] < -0.35 else "middle"
    shift = (_AWAY_PX * float(along[0]), 5.0 - 1.6 * _AWAY_PX * float(along[1]))
    drawing.words(corner + way, text, bold=True, anchor=anchor, shift_px=shift)


def mark_gap(
    drawing: Drawing, a: Array, b: Array, text: str, *, along: Along = "straight", level: float | None = None
) -> None:
    """The distance from a to b (2,): straight, or its part up or across the drawing.

    level: where an arrow across is drawn (its height), or one upwards (its place across); else at b.
    """
    start, end = a, b
    if along == "up":
        x = float(b[0]) if level is None else level
        start, end = np.array([x, a[1]]), np.array([x, b[1]])
    elif along == "across":
        y = float(b[1]) if level is None else level
        start, end = np.array([a[0], y]), np.array([b[0], y])
    for point, foot in ((a, start), (b, end)):
        drawing.flat_line(np.stack([point, foot]), palette.GREY, 1.2, dash="3 3")
    size = float(np.hypot(*(end - start)))
    drawing.flat_line(np.stack([start, end]), MARK, 2, arrows="both" if size > 0.03 else "", keep=True)
    drawing.marked = size
    beside_gap(drawing, start, end, text)


def beside_gap(drawing: Drawing, start: Array, end: Array, text: str) -> None:
    """The value beside an arrow: right of an upright one, over a level one."""
    way = end - start
    if abs(way[0]) > abs(way[1]):
        drawing.words((start + end) / 2, text, bold=True, shift_px=(0, -8))
    else:
        drawing.words((start + end) / 2, text, bold=True, anchor="start", shift_px=(8, 4))
