"""Angles: each is a corner with two directions in the plane in which the angle is what the measure says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from recon.records import Measure
from recon.report.drawings.marks import LEAST_REACH_M, mark_angle
from recon.report.drawings.pose import Make, Pose
from recon.report.drawings.spine import by_shoulders
from recon.report.drawings.views import X, Y, Z, heading, plane_of
from recon.report.svg import Drawing, View
from recon.scene import palette
from recon.wording import value_text

_TELLABLE_RAD = 0.2  # between two directions, for both to have room for a name
_TRUNK = ("trunk",)
_HITTING = ("trunk", "hitting_arm")


@dataclass(frozen=True, slots=True, eq=False)
class Corner:
    """An angle in a plane: its corner and two directions (2,), metres; the end is drawn as long as it is.

    start_words, end_words: what the two directions are. turn: size with sign, where not the short way round.
    """

    view: View
    at: Array
    start: Array
    end: Array
    start_words: str = ""
    end_words: str = ""
    turn: float | None = None


_Find = Callable[[Pose, Measure], Corner | None]


def angle(find: _Find, strong: tuple[str, ...], keep: tuple[str, ...] | None = None) -> Make:
    """The drawing of an angle; groups of bones that are drawn full, and those that have to fit in."""

    def drawn(pose: Pose, m: Measure) -> Drawing | None:
        c = find(pose, m)
        if c is None or not all(np.isfinite(v).all() for v in (c.at, c.start, c.end)):
            return None
        drawing = Drawing(c.view)
        pose.draw_body(drawing, strong=strong, keep=strong if keep is None else keep)
        mark_angle(drawing, c.at, c.start, c.end, value_text(m), turn=c.turn)
        begin = max(float(np.hypot(*c.end)), LEAST_REACH_M) * _unit(c.start)
        _name(drawing, c.at + begin, begin, c.end, c.start_words)
        if drawing.marked is not None and drawing.marked > _TELLABLE_RAD:
            _name(drawing, c.at + c.end, c.end, begin, c.end_words)
        return drawing

    return drawn


def _name(drawing: Drawing, tip: Array, way: Array, other: Array, words: str) -> None:
    """What a direction is: beyond its tip; where it is level, along it on the side away from the other one."""
    along = _unit(way)
    if abs(along[0]) > 0.8:
        anchor, over = ("end" if along[0] > 0 else "start"), other[1] < way[1]
        drawing.words(tip, words, anchor=anchor, colour=palette.GREY, shift_px=(0, -7 if over else 15))
        return
    anchor = "start" if along[0] > 0.5 else "end" if along[0] < -0.5 else "middle"
    shift = (6.0 * float(along[0]), 4.0 - 10.0 * float(along[1]))
    drawing.words(tip, words, anchor=anchor, colour=palette.GREY, shift_px=shift)


def _unit(v: Array) -> Array:
    return np.asarray(v / max(float(np.linalg.norm(v)), 1e-9))


def _between(at: Array, start: Array, end: Array, start_words: str = "", end_words: str = "") -> Corner | None:
    """The angle between two directions in space, seen square to both."""
    view = plane_of(at + end, at, at + start)
    if view is None:
        return None
    return Corner(view, np.zeros(2), view.flat(at + start), view.flat(at + end), start_words, end_words)


def _directed(view: View, start: Array, end: Array, start_words: str = "", end_words: str = "") -> Corner:
    """The angle between two directions in space as a view shows it, its corner at the view's origin."""
    o = view.origin_m
    return Corner(view, np.zeros(2), view.flat(o + start), view.flat(o + end), start_words, end_words)


# -- limbs ---------------------------------------------------------------------------------------------------


def joint(role: str, parts: tuple[str, str, str], group: str, *, flexion: bool) -> Make:
    """Inside a joint; flexion: from the limb straightened."""

    def find(pose: Pose, _m: Measure) -> Corner | None:
        a, corner, b = (pose.at(f"{role}_{part}") for part in parts)
        return _between(
            corner, corner - a if flexion else a - corner, b - corner, "straight" if flexion else ""
        )

    return angle(find, (group,))


def dorsiflexion(foot: str) -> Make:
    """The foot's line carried to the ankle, against the line square to the shank."""

    def find(pose: Pose, _m: Measure) -> Corner | None:
        ankle = pose.at(f"{foot}_ankle")
        sole = pose.at(f"{foot}_toe") - pose.at(f"{foot}_heel")
        shank = _unit(pose.at(f"{foot}_knee") - ankle)
        return _between(ankle, sole - (sole @ shank) * shank, sole, "square to the shank", "foot")

    return angle(find, (f"{foot}_leg",))


# -- trunk ---------------------------------------------------------------------------------------------------


def _spine(pose: Pose) -> tuple[Array, Array]:
    """((3,) mid-hip, (3,) from it to mid-shoulder)."""
    hips = pose.at("mid_hip")
    return hips, pose.at("mid_shoulder") - hips


def _inclination(pose: Pose, _m: Measure) -> Corner | None:
    hips, spine = _spine(pose)
    return _between(hips, Z, spine, "upright", "spine")


def _above_horizontal(pose: Pose, _m: Measure) -> Corner | None:
    hips, spine = _spine(pose)
    return _between(hips, spine * [1.0, 1.0, 0.0], spine, "level", "spine")


def _lean(pose: Pose, m: Measure, *, forward: bool) -> Corner:
    ahead, to_side = heading(pose)
    hips, spine = _spine(pose)
    return _directed(View(hips, ahead if forward else pose.h * to_side, Z), Z, spine, "upright", "spine")


def line_turn(part: str) -> Make:
    """The line of hips or shoulders from above, against the baseline's direction to the hitting side."""

    def find(pose: Pose, _m: Measure) -> Corner:
        middle = pose.at(f"mid_{part}")
        line = pose.line(part) * [1.0, 1.0, 0.0]
        return _directed(View(middle, X, Y), pose.h * X, line, "along the baseline", f"{part}s")

    return angle(find, _TRUNK)


def _separation(pose: Pose, _m: Measure) -> Corner:
    """Seen down along the spine, where mid-hip and mid-shoulder are one point."""
    middle, s = pose.at("mid_shoulder"), _unit(_spine(pose)[1])
    up = _unit(Y - (Y @ s) * s)
    hips, shoulders = (1.6 * pose.line(part) for part in ("hip", "shoulder"))
    return _directed(View(middle, np.cross(up, s), up), hips, shoulders, "hips", "shoulders")


# -- arms ----------------------------------------------------------------------------------------------------


def _upper_arm(pose: Pose) -> tuple[Array, Array]:
    shoulder = pose.at("hitting_shoulder")
    return shoulder, pose.at("hitting_elbow") - shoulder


def _off_shoulder_line(pose: Pose, _m: Measure) -> Corner | None:
    return _between(*_swapped(_upper_arm(pose), pose.line("shoulder")), "shoulder line", "upper arm")


def _elevation(pose: Pose, _m: Measure) -> Corner | None:
    return _between(*_swapped(_upper_arm(pose), -_spine(pose)[1]), "trunk, down", "upper arm")


def _swapped(arm: tuple[Array, Array], start: Array) -> tuple[Array, Array, Array]:
    return arm[0], start, arm[1]


def _lay_back(pose: Pose, m: Measure) -> Corner | None:
    """Seen along the upper arm: ahead of the chest to the right, up the spine upwards."""
    plane = by_shoulders(pose)
    if plane is None:
        return None
    elbow, u = pose.at("hitting_elbow"), _unit(_upper_arm(pose)[1])
    ahead = _unit(plane.anterior - (plane.anterior @ u) * u)
    view = View(elbow, ahead, pose.h * np.cross(u, ahead))
    fore = view.flat(pose.at("hitting_wrist"))
    turn = float(np.arctan2(fore[1], fore[0]))
    turn = turn + 2 * np.pi if turn < -np.pi / 2 else turn
    return Corner(view, np.zeros(2), np.array([1.0, 0.0]), fore, "ahead of the chest", "forearm", turn)


def _sweep(pose: Pose, _m: Measure) -> Corner:
    shoulder = pose.at("tossing_shoulder")
    reach = pose.at("tossing_wrist") - shoulder
    return _directed(View(shoulder, X, Y), pose.h * X, reach, "along the baseline", "tossing arm")


def _turned(ends: tuple[str, str], times: float, name: str) -> Callable[[Pose, Measure], Corner | None]:
    """Seen along the forearm from the hand: a line across it, and where it would be without the turn."""

    def corner(pose: Pose, m: Measure) -> Corner | None:
        wrist, elbow = pose.at("hitting_wrist"), pose.at("hitting_elbow")
        axis = _unit(wrist - elbow)
        up = _unit(Z - (Z @ axis) * axis)
        view = View(wrist, np.cross(up, axis), up)
        line = times * (view.flat(pose.at(ends[1])) - view.flat(pose.at(ends[0])))
        turn = -pose.h * float(m.value or 0.0)  # the carried line turns by it, about the axis that points at us
        c, s = np.cos(turn), np.sin(turn)
        carried = np.array([[c, s], [-s, c]]) @ line
        return Corner(view, np.zeros(2), carried, line, "as at contact", name, turn)

    return corner


_AFTER = "seen along the forearm from the hand, 0.1 s after contact"

TURNS: dict[str, tuple[Make, str]] = {
    "inclination": (angle(_inclination, _TRUNK), "seen square to the lean"),
    "above horizontal": (angle(_above_horizontal, _TRUNK), "seen square to the lean"),
    "lean forward": (angle(lambda p, m: _lean(p, m, forward=True), _TRUNK), "seen from beside the chest"),
    "lean side": (angle(lambda p, m: _lean(p, m, forward=False), _TRUNK), "seen from behind the chest"),
    "separation": (angle(_separation, _TRUNK), "seen down along the spine, the net upwards"),
    "off shoulder line": (angle(_off_shoulder_line, _HITTING), "seen square to the angle"),
    "elevation": (angle(_elevation, _HITTING), "seen square to the angle"),
    "lay-back": (angle(_lay_back, ("hitting_arm", "racket"), ("hitting_arm",)), "seen along the upper arm"),
    "sweep": (angle(_sweep, ("trunk", "tossing_arm")), "seen from above, the net upwards"),
    "pronation": (
        angle(_turned(("hitting_pinky", "hitting_index"), 1.8, "knuckles"), ("hitting_arm", "racket"), ()),
        _AFTER,
    ),
    "face": (
        angle(_turned(("racket_edge_1", "racket_edge_2"), 0.6, "face"), ("hitting_arm", "racket"), ()),
        _AFTER,
    ),
}
"""Angle -> its drawing, and from where it is seen."""
