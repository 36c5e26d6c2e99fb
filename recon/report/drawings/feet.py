"""The feet from above: headings, turns, ways on the ground, and the lines that they must not touch."""

from __future__ import annotations

from typing import Literal

import numpy as np

from calibration.checks import Array
from calibration.court.model import CENTRE_LINE_WIDTH_M, DOUBLES_WIDTH_M, SINGLES_WIDTH_M
from recon.curves import path_length
from recon.records import Measure
from recon.report.drawings.marks import MARK, mark_angle
from recon.report.drawings.pose import Make, Pose
from recon.report.drawings.views import above, with_baseline
from recon.report.svg import FAINT, INK, Drawing, arc, turn_between
from recon.scene import palette
from recon.wording import value_text

_LOW_M = 0.12  # of a foot point that may be on the ground
_STEPS = 30
_ROLES = ("back", "front")


def _foot(drawing: Drawing, pose: Pose, role: str, opacity: float) -> tuple[Array, Array]:
    """A shoe-like outline about the heel and toe points; returns both, in the plane."""
    heel, toe = (drawing.view.flat(pose.at(f"{role}_{part}")) for part in ("heel", "toe"))
    along = toe - heel
    e = along / max(float(np.hypot(*along)), 1e-9)
    n = np.array([-e[1], e[0]])
    shape = [(-0.045, 0.022), (-0.02, 0.042), (0.09, 0.034), (0.19, 0.056), (0.25, 0.046), (0.29, 0.018)]
    stretch = float(np.hypot(*along)) / 0.235
    one = [heel + stretch * (x * e) + y * n for x, y in shape]
    other = [heel + stretch * (x * e) - y * n for x, y in reversed(shape)]
    colour = palette.FOOT if role == "front" else palette.PURPLE
    drawing.patch(np.array(one + other), colour, opacity, rim=colour, rounded=True, keep=True)
    drawing.dot(pose.at(f"{role}_heel"), colour, 2.5)
    drawing.dot(pose.at(f"{role}_toe"), colour, 2.5)
    return heel, toe


def _ray(heel: Array, toe: Array, length_m: float) -> Array:
    return np.asarray(length_m * (toe - heel) / max(float(np.hypot(*(toe - heel))), 1e-9))


def heading(role: str) -> Make:
    """A foot's heading against the baseline's direction to the hitting side."""

    def drawn(pose: Pose, m: Measure) -> Drawing | None:
        drawing = above()
        heel, toe = _foot(drawing, pose, role, 0.45)
        if not np.isfinite([heel, toe]).all():
            return None
        mark_angle(drawing, heel, np.array([pose.h, 0.0]), _ray(heel, toe, 0.42), value_text(m))
        tip, below = heel + [0.3 * pose.h, 0.0], toe[1] >= heel[1]
        drawing.words(tip, "along the baseline", colour=palette.GREY, shift_px=(0, 16 if below else -8))
        with_baseline(drawing, heel)
        return drawing

    return drawn


def turn(pose: Pose, m: Measure) -> Drawing | None:
    """The front foot in the stance (pale) and where the turn was taken (full), and the angle between them."""
    start = pose.result.events.time("stance")
    if start is None:
        return None
    drawing = above()
    heel0, toe0 = _foot(drawing, Pose(pose.result, start), "front", 0.15)
    heel1, toe1 = _foot(drawing, pose, "front", 0.5)
    first, last = heel0 + _ray(heel0, toe0, 0.44), heel0 + _ray(heel1, toe1, 0.44)
    size = np.copysign(m.value or 0.0, turn_between(toe0 - heel0, toe1 - heel1))
    drawing.flat_line(np.stack([heel0, first]), FAINT, 1.6, dash="5 4", keep=True)
    drawing.flat_line(np.stack([heel0, last]), MARK, 1.8, dash="5 4", keep=True)
    drawing.flat_line(arc(heel0, first - heel0, size, 0.4), MARK, 2, arrows="end", keep=True)
    drawing.marked = abs(turn_between(toe0 - heel0, toe1 - heel1))
    drawing.words(last, value_text(m), bold=True, shift_px=(0, -8))
    drawing.words(first, "stance", colour=palette.GREY, shift_px=(14 * pose.h, 16))
    drawing.words((heel0 + last) / 2, "then", colour=palette.FOOT, shift_px=(-24 * pose.h, -14))
    beside = 0.16 if heel0[0] >= last[0] else -0.16  # away from the heading, where "then" stands
    with_baseline(drawing, heel0 + np.array([beside, 0.0]))
    return drawing


# -- ways on the ground ----------------------------------------------------------------------------------------


Kind = Literal["path", "straight", "to the front foot"]


def way(point: str, first: str, last: str | None, kind: Kind, feet: tuple[str, ...]) -> Make:
    """The way of a point seen from above, from one event to another (None: to when the measure was taken).

    kind: its length, the distance between its ends, or the part of that towards the front foot.
    """

    def drawn(pose: Pose, m: Measure) -> Drawing | None:
        t0, t1 = (pose.t_s if e is None else pose.result.events.time(e) for e in (first, last))
        if t0 is None or t1 is None:
            return None
        drawing = above()
        times = np.linspace(t0, t1, _STEPS)
        places = drawing.view.flat(np.array([Pose(pose.result, float(t)).at(point) for t in times]))
        begin = Pose(pose.result, t0)
        for role in feet:
            _foot(drawing, begin, role, 0.12)
            _foot(drawing, Pose(pose.result, t1), role, 0.4)
        if not np.isfinite(places[[0, -1]]).all():
            return None
        start, end = places[0], places[-1]
        if kind == "path":
            drawing.flat_line(places[np.isfinite(places).all(axis=1)], MARK, 2, arrows="end", keep=True)
            drawing.marked = path_length(times, places)
        else:
            drawing.flat_line(places[np.isfinite(places).all(axis=1)], palette.GREY, 1.2, dash="3 3", keep=True)
            if kind == "to the front foot":
                end = _towards_front(drawing, begin, start, end)
            drawing.flat_line(np.stack([start, end]), MARK, 2, arrows="end", keep=True)
            drawing.marked = float(np.hypot(*(end - start)))
        for at in (start, end):
            drawing.dot_flat(at, MARK, 3, rim="#fff")
        drawing.words((start + end) / 2, value_text(m), bold=True, anchor="start", shift_px=(12, 4))
        with_baseline(drawing, start)
        return drawing

    return drawn


def _towards_front(drawing: Drawing, begin: Pose, start: Array, end: Array) -> Array:
    """The end of the way from start to end, brought onto the line from back to front foot, which is drawn."""
    feet = [drawing.view.flat(begin.at(f"{role}_foot")) for role in _ROLES]
    e = (feet[1] - feet[0]) / max(float(np.hypot(*(feet[1] - feet[0]))), 1e-9)
    drawing.flat_line(np.stack(feet), FAINT, 1.3, dash="6 4", keep=True)
    return np.asarray(start + ((end - start) @ e) * e)


def stance(pose: Pose, m: Measure) -> Drawing | None:
    """Both feet in the stance (pale) and at the deepest bend (full), and how far apart their middles are."""
    t0 = pose.result.events.time("stance")
    if t0 is None:
        return None
    drawing = above()
    for then, opacity, width in ((Pose(pose.result, t0), 0.12, 1.2), (pose, 0.4, 2.0)):
        for role in _ROLES:
            _foot(drawing, then, role, opacity)
        ends = np.stack([drawing.view.flat(then.at(f"{role}_foot")) for role in _ROLES])
        dash = "4 4" if width < 2 else ""
        drawing.flat_line(ends, MARK, width, arrows="both", dash=dash, keep=True)
    drawing.words(ends.mean(axis=0), value_text(m), bold=True, anchor="start", shift_px=(12, 4))
    with_baseline(drawing, ends[1])
    return drawing


# -- lines that a server must not touch ------------------------------------------------------------------------

Line = Literal["baseline", "centre mark", "sideline"]


def clearance(line: Line) -> Make:
    """Both feet; the gap between the nearest foot point that may be on the ground and a line."""

    def drawn(pose: Pose, m: Measure) -> Drawing | None:
        points = [pose.at(f"{role}_{part}") for role in _ROLES for part in ("toe", "heel")]
        low = [p[:2] for p in points if np.isfinite(p).all() and p[2] < _LOW_M]
        if not low or m.value is None:
            return None
        drawing = above()
        for role in _ROLES:
            _foot(drawing, pose, role, 0.35)
        out, at = _line(pose, line, low)
        nearest = max(low, key=lambda p: float(p @ out))
        foot = nearest + (at - nearest @ out) * out
        gap = np.stack([foot, foot - m.value * out])
        drawing.flat_line(gap, MARK, 2, arrows="both" if abs(m.value) > 0.03 else "", keep=True)
        drawing.words(gap.mean(axis=0), value_text(m), bold=True, anchor="start", shift_px=(10, -8))
        if line != "baseline":
            _draw_upright_line(drawing, foot, line)
        with_baseline(drawing, nearest)
        return drawing

    return drawn


def _line(pose: Pose, line: Line, low: list[Array]) -> tuple[Array, float]:
    """((2,) over the line from where the server may stand, how far along that the line is)."""
    if line == "baseline":
        return np.array([0.0, 1.0]), 0.0
    side = pose.result.session.file.serve.side
    right = float(np.mean(low, axis=0)[0]) >= 0 if side is None else side == "deuce"
    e = np.array([1.0 if right else -1.0, 0.0])
    if line == "centre mark":
        return -e, -CENTRE_LINE_WIDTH_M / 2
    return e, (DOUBLES_WIDTH_M if pose.result.session.file.game == "doubles" else SINGLES_WIDTH_M) / 2


def _draw_upright_line(drawing: Drawing, foot: Array, name: str) -> None:
    """The continuation of a line that runs towards the net, behind the baseline."""
    drawing.flat_line(
        np.array([[foot[0], 0.0], [foot[0], min(float(foot[1]), 0.0) - 0.6]]), INK, 1.4, dash="6 4"
    )
    drawing.words(np.array([foot[0], foot[1] - 0.12]), f"{name}, continued", anchor="middle", shift_px=(0, 14))
