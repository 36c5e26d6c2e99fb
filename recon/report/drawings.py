"""A small drawing of what each measure measures, made from the actual motion at the actual instant."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from markupsafe import Markup

from calibration.checks import Array
from calibration.court.model import BASELINE_WIDTH_M
from recon.records import Measure, side_names
from recon.report.svg import FAINT, INK, Drawing, View, arc
from recon.result import Result
from recon.scene import palette
from recon.scene.body import GROUPS, ball, bones_by_group, positions_at
from recon.scene.planes import spine_plane
from recon.wording import value_text

_X, _Y, _Z = np.eye(3)
_MARK = palette.BLACK
_STEPS = 60


class _Pose:
    """All points of one instant by name, absent ones as NaN, with the words of handedness."""

    def __init__(self, result: Result, t_s: float) -> None:
        self.result, self.t_s = result, t_s
        self.hand = result.session.file.handedness
        self.h = 1.0 if self.hand == "right" else -1.0
        self.side = side_names(self.hand)
        self.xyz = positions_at(result.motion, t_s)

    def at(self, name: str) -> Array:
        names = self.result.motion.keypoints
        return self.xyz[names.index(name)] if name in names else np.full(3, np.nan)

    def of(self, role: str, part: str) -> Array:
        """role: hitting, tossing, front or back."""
        return self.at(f"{self.side[role]}_{part}")

    def draw_body(self, drawing: Drawing, *, strong: tuple[str, ...], keep: tuple[str, ...]) -> None:
        """The skeleton in the colours used everywhere.

        Groups in `strong` are drawn full, the rest pale; groups in `keep` have to fit in the frame.
        """
        for group, pairs in bones_by_group(self.result.motion.keypoints, self.hand).items():
            _, colour, width = GROUPS[group]
            opacity = 1.0 if group in strong else 0.35
            for a, b in pairs:
                ends = (self.xyz[a], self.xyz[b])
                drawing.line(ends, colour, 0.55 * width, keep=group in keep, opacity=opacity)
        drawing.dot((self.at("left_ear") + self.at("right_ear")) / 2, palette.TRUNK, 9)


def draw(result: Result, measure: Measure) -> Markup | None:
    """The drawing of one measure, or None where it has no instant, no drawing, or its points are absent."""
    if measure.value is None or measure.t_s is None or measure.name not in DRAWINGS:
        return None
    make, seen = DRAWINGS[measure.name]
    drawing = make(_Pose(result, measure.t_s), measure)
    svg = None if drawing is None else drawing.svg(f"{measure.label}: {value_text(measure)}")
    return None if svg is None else svg + Markup('<p class="seen">{}</p>').format(seen)


# -- racket tip and spine plane ----------------------------------------------------------------------------


def _spine(pose: _Pose, m: Measure) -> Drawing | None:
    """Seen from behind along the chest's direction: the plane is the upright line through the spine."""
    keypoints = pose.result.motion.keypoints
    plane = spine_plane(keypoints, pose.xyz, pose.hand)
    if plane is None:
        return None
    drawing = Drawing(View(plane.origin_m, pose.h * plane.normal, plane.spine))
    rim = np.array([[0.0, -1.1], [0.0, 0.95]])
    drawing.flat_line(rim, palette.SPINE_PLANE, 9, opacity=0.35)
    drawing.flat_line(rim, palette.BLUE, 1.2, dash="6 4")
    upper = ("trunk", "racket", "hitting_arm")
    pose.draw_body(drawing, strong=upper, keep=upper)
    trace = _tip_trace(pose)
    if len(trace):
        drawing.flat_line(trace, palette.RACKET, 1.3, dash="2 3")
    tip = drawing.view.flat(pose.at("racket_tip"))
    drawing.flat_line(np.stack([[0.0, tip[1]], tip]), _MARK, 2, arrows="both", keep=True)
    drawing.dot(pose.at("racket_tip"), palette.RACKET, 4.5, rim="#fff", keep=True)
    away = 1.0 if tip[0] >= 0 else -1.0
    beside = "start" if away > 0 else "end"
    drawing.words(tip, value_text(m), bold=True, anchor=beside, shift_px=(12 * away, 22))
    foot = np.array([0.0, -0.62])
    drawing.words(foot, "spine plane", colour=palette.BLUE, anchor="start", shift_px=(8, 0))
    return drawing


def _tip_trace(pose: _Pose) -> Array:
    """The tip between trophy and racket low point, each time against that instant's own plane."""
    events, motion = pose.result.events, pose.result.motion
    t0, t1 = events.time("trophy"), events.time("racket_low")
    if t0 is None or t1 is None or "racket_tip" not in motion.keypoints:
        return np.zeros((0, 2))
    rows = []
    for t in np.linspace(t0, t1, _STEPS):
        xyz = positions_at(motion, float(t))
        plane = spine_plane(motion.keypoints, xyz, pose.hand)
        away = xyz[motion.keypoints.index("racket_tip")] - (np.nan if plane is None else plane.origin_m)
        if plane is not None and np.isfinite(away).all():
            rows.append([pose.h * away @ plane.normal, away @ plane.spine])
    return np.array(rows).reshape(-1, 2)


# -- seen from the side: hips and the baseline -------------------------------------------------------------


def _side_view(pose: _Pose) -> Drawing:
    """Towards the net is to the right. The ground and the baseline with its rear edge."""
    drawing = Drawing(View(np.zeros(3), _Y, _Z))
    drawing.flat_line(np.array([[-2.0, 0.0], [3.0, 0.0]]), FAINT, 1.5)
    line = np.array([[0.0, -0.035], [BASELINE_WIDTH_M, -0.035], [BASELINE_WIDTH_M, 0.0], [0.0, 0.0]])
    drawing.patch(line, INK, 0.85, keep=True)
    pose.draw_body(drawing, strong=("trunk", "front_leg"), keep=("front_leg",))
    return drawing


def _hip(point: Callable[[_Pose], Array], origin: Callable[[_Pose], float], origin_words: str) -> _Draw:
    def drawn(pose: _Pose, m: Measure) -> Drawing | None:
        drawing = _side_view(pose)
        hip, from_y = point(pose), origin(pose)
        below, text_z = -0.11, -0.2
        drawing.flat_line(np.array([[from_y, below - 0.03], [from_y, 1.3]]), palette.PURPLE, 1.4, dash="6 4")
        drawing.flat_line(np.array([[hip[1], hip[2]], [hip[1], below - 0.03]]), _MARK, 1.0, dash="3 3")
        gap = np.array([[from_y, below], [hip[1], below]])
        drawing.flat_line(gap, _MARK, 2, arrows="both", keep=True)
        drawing.dot(hip, palette.PURPLE, 5, rim="#fff", keep=True)
        drawing.flat_line(np.array([[hip[1], text_z], [hip[1], hip[2] + 0.3]]), FAINT, 0, keep=True)
        right = max(from_y, float(hip[1]))
        drawing.words(np.array([right, below]), value_text(m), bold=True, anchor="start", shift_px=(8, 5))
        left = np.array([min(from_y, float(hip[1])), below])
        drawing.words(left, origin_words, colour=palette.PURPLE, anchor="end", shift_px=(-8, 4))
        return drawing

    return drawn


# -- seen from above: the front foot and the feet at the line ----------------------------------------------


def _above(pose: _Pose) -> Drawing:
    """Seen from above, the net upwards."""
    drawing = Drawing(View(np.zeros(3), _X, _Y))
    band = np.array([[-9.0, 0.0], [9.0, 0.0], [9.0, BASELINE_WIDTH_M], [-9.0, BASELINE_WIDTH_M]])
    drawing.patch(band, palette.GREY, 0.28)
    drawing.flat_line(np.array([[-9.0, 0.0], [9.0, 0.0]]), INK, 1.4)
    return drawing


def _foot(drawing: Drawing, pose: _Pose, role: str, opacity: float) -> tuple[Array, Array]:
    """A shoe-like outline about the heel and toe points; returns both, in the plane."""
    heel, toe = (drawing.view.flat(pose.of(role, part)) for part in ("heel", "toe"))
    along = toe - heel
    e = along / max(float(np.hypot(*along)), 1e-9)
    n = np.array([-e[1], e[0]])
    shape = [(-0.045, 0.022), (-0.02, 0.042), (0.09, 0.034), (0.19, 0.056), (0.25, 0.046), (0.29, 0.018)]
    stretch = float(np.hypot(*along)) / 0.235
    right = [heel + stretch * (x * e) + y * n for x, y in shape]
    left = [heel + stretch * (x * e) - y * n for x, y in reversed(shape)]
    colour = palette.FOOT if role == "front" else palette.PURPLE
    drawing.patch(np.array(right + left), colour, opacity, rim=colour, rounded=True, keep=True)
    drawing.dot(pose.of(role, "heel"), colour, 2.5)
    drawing.dot(pose.of(role, "toe"), colour, 2.5)
    return heel, toe


def _heading(pose: _Pose, m: Measure) -> Drawing | None:
    """The foot's heading against the baseline's direction to the hitting side."""
    drawing = _above(pose)
    heel, toe = _foot(drawing, pose, "front", 0.45)
    along = np.array([pose.h, 0.0])
    drawing.flat_line(np.stack([heel, heel + 0.42 * along]), FAINT, 1.4, dash="5 4", keep=True)
    ahead = heel + 0.42 * (toe - heel) / max(float(np.hypot(*(toe - heel))), 1e-9)
    drawing.flat_line(np.stack([heel, ahead]), _MARK, 2, arrows="end", keep=True)
    drawing.flat_line(arc(heel, heel + along, toe, 0.33), _MARK, 1.6)
    drawing.words((ahead + heel) / 2, value_text(m), bold=True, shift_px=(-18 * pose.h, -22))
    _above_words(drawing, heel)
    return drawing


def _above_words(drawing: Drawing, near: Array) -> None:
    drawing.flat_line(np.array([near, [near[0], 0.16]]), FAINT, 0.01, keep=True)  # the line has to be in it
    drawing.words(np.array([near[0] - 0.05, BASELINE_WIDTH_M / 2]), "baseline", colour=INK, shift_px=(0, 4))


def _turn(pose: _Pose, m: Measure) -> Drawing | None:
    """The front foot in the stance (pale) and at push-off (full), and the angle between their headings."""
    start, end = (pose.result.events.time(name) for name in ("stance", "push_off"))
    if start is None or end is None:
        return None
    drawing = _above(pose)
    heel0, toe0 = _foot(drawing, _Pose(pose.result, start), "front", 0.15)
    heel1, toe1 = _foot(drawing, _Pose(pose.result, end), "front", 0.5)

    def ray(heel: Array, toe: Array) -> Array:
        return np.asarray((toe - heel) / max(float(np.hypot(*(toe - heel))), 1e-9))

    first, last = heel0 + 0.44 * ray(heel0, toe0), heel0 + 0.44 * ray(heel1, toe1)
    drawing.flat_line(np.stack([heel0, first]), FAINT, 1.6, dash="5 4", keep=True)
    drawing.flat_line(np.stack([heel0, last]), _MARK, 1.8, dash="5 4", keep=True)
    drawing.flat_line(arc(heel0, first, last, 0.4), _MARK, 2, arrows="end", keep=True)
    drawing.words(last, value_text(m), bold=True, shift_px=(0, -8))
    drawing.words(first, "stance", colour=palette.GREY, shift_px=(14 * pose.h, 16))
    drawing.words((heel0 + last) / 2, "push-off", colour=palette.FOOT, shift_px=(-34 * pose.h, -14))
    beside = 0.16 if heel0[0] >= last[0] else -0.16  # away from the heading, where "push-off" stands
    _above_words(drawing, heel0 + np.array([beside, 0.0]))
    return drawing


def _clearance(pose: _Pose, m: Measure) -> Drawing | None:
    """Both feet from above; the gap between the nearest foot point on the ground and the line's rear edge."""
    drawing = _above(pose)
    for role in ("back", "front"):
        _foot(drawing, pose, role, 0.35)
    points = [pose.of(role, part) for role in ("front", "back") for part in ("toe", "heel")]
    low = [p for p in points if np.isfinite(p).all() and p[2] < 0.12]
    if not low or m.value is None:
        return None
    nearest = max(low, key=lambda p: float(p[1]))
    gap = np.array([[nearest[0], 0.0], [nearest[0], -m.value]])
    drawing.flat_line(gap, _MARK, 2, arrows="both" if abs(m.value) > 0.03 else "", keep=True)
    drawing.words(gap.mean(axis=0), value_text(m), bold=True, anchor="start", shift_px=(10, 4))
    _above_words(drawing, drawing.view.flat(nearest))
    return drawing


# -- joint angles, each in the plane of its own three points -----------------------------------------------


def _joint_view(a: Array, corner: Array, b: Array) -> View | None:
    """The plane through three points, turned so that up in the drawing is as upright as can be."""
    normal = np.cross(a - corner, b - corner)
    length = float(np.linalg.norm(normal))
    if not length > 1e-4:
        return None
    normal = normal / length
    up = _Z - (_Z @ normal) * normal
    if float(np.linalg.norm(up)) < 0.1:
        up = (a - corner) - ((a - corner) @ normal) * normal
    up = up / np.linalg.norm(up)
    return View(corner, np.cross(up, normal), up)


def _joint(role: str, parts: tuple[str, str, str], groups: tuple[str, ...], *, flexion: bool) -> _Draw:
    """flexion: the angle from the straight limb; else the angle inside the joint."""

    def drawn(pose: _Pose, m: Measure) -> Drawing | None:
        a, corner, b = (pose.of(role, part) for part in parts)
        view = _joint_view(a, corner, b)
        if view is None:
            return None
        drawing = Drawing(view)
        pose.draw_body(drawing, strong=groups, keep=groups)
        flat_a, flat_b, zero = view.flat(a), view.flat(b), np.zeros(2)
        for end in (flat_a, flat_b):
            drawing.flat_line(np.stack([zero, end]), _MARK, 1.2)
        start = flat_a
        if flexion:
            start = -0.75 * flat_a
            drawing.flat_line(np.stack([zero, start]), FAINT, 1.4, dash="5 4", keep=True)
        curve = arc(zero, start, flat_b, 0.17)
        drawing.flat_line(curve, _MARK, 2)
        if flexion:  # beside the dashed line, on the side away from the leg
            away = 1.0 if start[0] >= flat_b[0] else -1.0
            beside = "start" if away > 0 else "end"
            drawing.words(0.8 * start, value_text(m), bold=True, anchor=beside, shift_px=(9 * away, 4))
        else:
            drawing.words(1.4 * curve[len(curve) // 2], value_text(m), bold=True, shift_px=(0, 4))
        for p in (a, corner, b):
            drawing.dot(p, _MARK, 3.5, rim="#fff", keep=True)
        return drawing

    return drawn


# -- contact height ----------------------------------------------------------------------------------------


def _contact(pose: _Pose, m: Measure) -> Drawing | None:
    """Seen from behind the server: from the ground to the middle of the racket head."""
    drawing = Drawing(View(np.zeros(3), _X, _Z))
    drawing.flat_line(np.array([[-9.0, 0.0], [9.0, 0.0]]), FAINT, 1.5)
    pose.draw_body(drawing, strong=("trunk", "hitting_arm", "racket"), keep=tuple(GROUPS))
    at = (pose.at("racket_tip") + pose.at("racket_throat")) / 2
    height = m.value if m.unit == "m" and m.value is not None else float(at[2])
    body_x = drawing.view.flat(pose.at("nose"))[0]
    away = 1.0 if at[0] >= body_x else -1.0
    x = float(at[0] + 0.45 * away)
    drawing.flat_line(np.array([[x, 0.0], [x, height]]), _MARK, 2, arrows="both", keep=True)
    drawing.flat_line(np.array([[x, height], [at[0], height]]), FAINT, 1.2, dash="3 3")
    drawing.dot(at, palette.RACKET, 4.5, rim="#fff", keep=True)
    met = ball(pose.result.motion, pose.result.flight, pose.t_s).xyz_m
    if len(met):
        drawing.dot(met[0], palette.BALL, 5, rim=INK)
    beside = "start" if away > 0 else "end"
    drawing.words(np.array([x, height * 0.5]), value_text(m), bold=True, anchor=beside, shift_px=(8 * away, 0))
    return drawing


# -- which drawing for which measure -----------------------------------------------------------------------

_Draw = Callable[[_Pose, Measure], Drawing | None]


def _front_hip(pose: _Pose) -> Array:
    return pose.of("front", "hip")


def _mid_hip(pose: _Pose) -> Array:
    return (pose.at("left_hip") + pose.at("right_hip")) / 2


def _baseline(_pose: _Pose) -> float:
    return 0.0


def _front_toe(pose: _Pose) -> float:
    return float(pose.of("front", "toe")[1])


_ARM = ("shoulder", "elbow", "wrist")
_LEG = ("hip", "knee", "ankle")
_FRONT_KNEE = _joint("front", _LEG, ("front_leg",), flexion=True)
_BACK_KNEE = _joint("back", _LEG, ("back_leg",), flexion=True)
_HIP = _hip(_front_hip, _baseline, "baseline, rear edge")

_BEHIND = "seen from behind, along the chest"
_SIDE = "seen from the side, the net to the right"
_ABOVE = "seen from above, the net upwards"
_JOINT = "seen square to the bend of the joint"

DRAWINGS: dict[str, tuple[_Draw, str]] = {
    "spine_plane_min": (_spine, _BEHIND),
    "spine_plane_at_trophy": (_spine, _BEHIND),
    "hip_past_baseline_max": (_HIP, _SIDE),
    "hip_past_baseline_trophy": (_HIP, _SIDE),
    "hip_past_baseline_contact": (_HIP, _SIDE),
    "midhip_past_baseline_max": (_hip(_mid_hip, _baseline, "baseline, rear edge"), _SIDE),
    "hip_past_front_toe_max": (_hip(_front_hip, _front_toe, "front toe"), _SIDE),
    "front_foot_yaw_stance": (_heading, _ABOVE),
    "front_foot_yaw_deepest_bend": (_heading, _ABOVE),
    "front_foot_yaw_push_off": (_heading, _ABOVE),
    "front_foot_turn": (_turn, _ABOVE),
    "elbow_angle_trophy": (_joint("hitting", _ARM, ("hitting_arm",), flexion=False), _JOINT),
    "front_knee_flexion_trophy": (_FRONT_KNEE, _JOINT),
    "back_knee_flexion_trophy": (_BACK_KNEE, _JOINT),
    "front_knee_flexion_deepest": (_FRONT_KNEE, _JOINT),
    "back_knee_flexion_deepest": (_BACK_KNEE, _JOINT),
    "foot_fault_clearance": (_clearance, _ABOVE),
    "contact_height": (_contact, "seen from behind the server"),
}
"""Stored measure name -> its drawing, and from where it is seen."""
