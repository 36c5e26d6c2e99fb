"""Distances: each is a gap between two points, straight or along one direction of the view."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.checks import Array
from recon.body import unit
from recon.records import Measure
from recon.report.drawings.marks import Along, mark_gap
from recon.report.drawings.pose import Make, Place, Pose, place
from recon.report.drawings.views import Z, plane_of, side
from recon.report.svg import FAINT, INK, Drawing
from recon.scene import palette
from recon.wording import value_text

_BELOW_M = -0.11
_ARC_STEPS = 30

Frame = Callable[[], Drawing]


def gap(
    frame: Frame,
    start: str | Place,
    end: str | Place,
    along: Along,
    strong: tuple[str, ...],
    *,
    level: Callable[[Pose], float] | None = None,
    toss: bool = False,
) -> Make:
    """From `start` to `end` in a view that stands still on the court; level and along as for mark_gap.

    toss: the ball's free flight is drawn as well.
    """
    first, last = place(start), place(end)

    def drawn(pose: Pose, m: Measure) -> Drawing | None:
        ends = first(pose, m), last(pose, m)
        if not np.isfinite(ends).all():
            return None
        drawing = frame()
        pose.draw_body(drawing, strong=strong, keep=strong)
        if toss:
            _toss(drawing, pose)
        a, b = (drawing.view.flat(p) for p in ends)
        mark_gap(drawing, a, b, value_text(m), along=along, level=None if level is None else level(pose))
        for p in ends:
            drawing.dot(p, palette.PURPLE, 4.5, rim="#fff", keep=True)
        return drawing

    return drawn


def _toss(drawing: Drawing, pose: Pose) -> None:
    """The ball's way from the release to where it was met or highest, and the ball itself."""
    flight, events = pose.result.flight, pose.result.events
    if flight is None:
        return
    start = flight.t0_s if flight.release_s is None else flight.release_s
    stop = max(t for t in (flight.contact_s, events.time("contact"), flight.t1_s) if t is not None)
    way = flight.at(np.linspace(start, stop, _ARC_STEPS))
    if flight.contact_s is not None:
        way[-1] = flight.at(flight.contact_s)
    drawing.flat_line(drawing.view.flat(way), palette.BLACK, 1.3, dash="2 4", keep=True)
    drawing.dot(pose.at("ball"), palette.BALL, 5, rim=INK)


def past_line(point: str | Place, origin: str | None, words: str, *, up_to_m: float = 1.3) -> Make:
    """How far past the baseline, or another point, from the side; told along the ground. origin None: 0."""
    find = place(point)

    def drawn(pose: Pose, m: Measure) -> Drawing | None:
        at, from_y = find(pose, m), 0.0 if origin is None else float(pose.at(origin)[1])
        if not np.isfinite([*at, from_y]).all():
            return None
        drawing = side()
        pose.draw_body(drawing, strong=("trunk", "front_leg"), keep=("front_leg",))
        upright = np.array([[from_y, _BELOW_M - 0.03], [from_y, max(up_to_m, float(at[2]))]])
        drawing.flat_line(upright, palette.PURPLE, 1.4, dash="6 4")
        a, b = np.array([from_y, 0.0]), drawing.view.flat(at)
        mark_gap(drawing, a, b, "", along="across", level=_BELOW_M)
        drawing.dot(at, palette.PURPLE, 5, rim="#fff", keep=True)
        drawing.flat_line(np.array([[b[0], _BELOW_M - 0.09], [b[0], b[1] + 0.3]]), FAINT, 0, keep=True)
        right, left = max(from_y, float(b[0])), min(from_y, float(b[0]))
        drawing.words(np.array([right, _BELOW_M]), value_text(m), bold=True, anchor="start", shift_px=(8, 5))
        drawing.words(np.array([left, _BELOW_M]), words, colour=palette.PURPLE, anchor="end", shift_px=(-8, 4))
        return drawing

    return drawn


def square_gap(
    start: str | Place, end: str | Place, third: str | Place, strong: tuple[str, ...], *, reference: bool = True
) -> Make:
    """Straight from `start` to `end`, seen square to the plane of both and a third point.

    reference: the line from `end` to the third point is what the distance is from, and is drawn.
    """
    finds = [place(p) for p in (start, end, third)]

    def drawn(pose: Pose, m: Measure) -> Drawing | None:
        a, b, c = (find(pose, m) for find in finds)
        view = plane_of(a, b, c)
        if view is None:
            return None
        drawing = Drawing(view)
        pose.draw_body(drawing, strong=strong, keep=strong)
        if reference:
            drawing.line((b, c), palette.PURPLE, 1.4, dash="6 4", keep=True)
        mark_gap(drawing, view.flat(a), view.flat(b), value_text(m))
        for p in (a, b):
            drawing.dot(p, palette.PURPLE, 4.5, rim="#fff", keep=True)
        return drawing

    return drawn


# -- points that only a measure knows --------------------------------------------------------------------------


def ground_under(name: str) -> Place:
    """Straight below a point."""
    return lambda pose, _m: pose.at(name) * [1.0, 1.0, 0.0]


def below_by_value(name: str) -> Place:
    """Below a point by the measure's own value: where a foot point stands, which is a matter of the stance."""
    return lambda pose, m: pose.at(name) - float(m.value or 0.0) * Z


def nearest_on(name: str, first: str, last: str) -> Place:
    """The point nearest to `name` on the line between two others."""

    def find(pose: Pose, _m: Measure) -> Array:
        a, way = pose.at(first), pose.at(last) - pose.at(first)
        share = float(np.clip((pose.at(name) - a) @ way / (way @ way), 0, 1))
        return np.asarray(a + share * way)

    return find


def far_end(name: str, first: str, last: str) -> Place:
    """Of the line between two points, the end that is farther from where it is nearest to `name`."""
    nearest = nearest_on(name, first, last)

    def find(pose: Pose, m: Measure) -> Array:
        at = nearest(pose, m)
        return max((pose.at(end) for end in (first, last)), key=lambda end: float(np.linalg.norm(end - at)))

    return find


def elbow_on_shoulder_line(pose: Pose, _m: Measure) -> Array:
    """The hitting elbow brought to the level of the shoulder line, along the spine made square to it."""
    elbow, up = pose.at("hitting_elbow"), _up_from_shoulders(pose)
    return np.asarray(elbow - ((elbow - pose.at("hitting_shoulder")) @ up) * up)


def along_shoulder_line(pose: Pose, m: Measure) -> Array:
    """From there along the shoulder line to beside the tossing shoulder."""
    here, line = elbow_on_shoulder_line(pose, m), unit(pose.line("shoulder"))
    return np.asarray(here - ((here - pose.at("tossing_shoulder")) @ line) * line)


def _up_from_shoulders(pose: Pose) -> Array:
    line = unit(pose.line("shoulder"))
    spine = pose.at("mid_shoulder") - pose.at("mid_hip")
    return unit(spine - (spine @ line) * line)


def landing_toe(pose: Pose, m: Measure) -> Array:
    """Toe of the foot that the measure's note names."""
    return pose.at("back_toe" if m.note.startswith("back") else "front_toe")


def over_hand(pose: Pose, _m: Measure) -> Array:
    """Straight over the tossing wrist: with it and the racket tip it makes an upright plane."""
    return np.asarray(pose.at("tossing_wrist") + Z)


def beside_contact(pose: Pose) -> float:
    """Place across, from behind: beside the racket, on the side away from the body."""
    met, nose = float(pose.at("met")[0]), float(pose.at("nose")[0])
    return met + (0.45 if met >= nose else -0.45)


def ahead_of_body(pose: Pose) -> float:
    """Place across, from the side: ahead of the ball."""
    return float(pose.at("ball")[1]) + 0.3
