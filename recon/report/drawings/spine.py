"""The racket tip and the spine plane, seen along the plane."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.checks import Array
from recon.body import unit
from recon.records import Measure
from recon.report.drawings.marks import MARK
from recon.report.drawings.pose import Make, Pose
from recon.report.svg import Drawing, View
from recon.scene import palette
from recon.scene.planes import SpinePlane, spine_plane
from recon.wording import value_text

_STEPS = 60
_PlaneAt = Callable[[Pose], SpinePlane | None]


def by_shoulders(pose: Pose) -> SpinePlane | None:
    """The plane whose front is told by the shoulder line."""
    return spine_plane(pose.result.motion.keypoints, pose.xyz, pose.hand)


def by_face(pose: Pose) -> SpinePlane | None:
    """The plane whose front is told by the face."""
    plane = by_shoulders(pose)
    face = pose.at("nose") - pose.at("mid_ear")
    if plane is None or not np.isfinite(face).all():
        return None
    ahead = unit(face - (face @ plane.spine) * plane.spine)
    return SpinePlane(plane.origin_m, plane.spine, pose.h * np.cross(ahead, plane.spine), ahead)


def tip_to_plane(plane_at: _PlaneAt, words: str) -> Make:
    """The plane is the upright line through the spine; dotted: the tip from trophy to racket low point."""

    def drawn(pose: Pose, m: Measure) -> Drawing | None:
        plane = plane_at(pose)
        if plane is None:
            return None
        drawing = Drawing(View(plane.origin_m, pose.h * plane.normal, plane.spine))
        rim = np.array([[0.0, -1.1], [0.0, 0.95]])
        drawing.flat_line(rim, palette.SPINE_PLANE, 9, opacity=0.35)
        drawing.flat_line(rim, palette.BLUE, 1.2, dash="6 4")
        upper = ("trunk", "racket", "hitting_arm")
        pose.draw_body(drawing, strong=upper, keep=upper)
        trace = _trace(pose, plane_at)
        if len(trace):
            drawing.flat_line(trace, palette.RACKET, 1.3, dash="2 3")
        tip = drawing.view.flat(pose.at("racket_tip"))
        drawing.flat_line(np.stack([[0.0, tip[1]], tip]), MARK, 2, arrows="both", keep=True)
        drawing.dot(pose.at("racket_tip"), palette.RACKET, 4.5, rim="#fff", keep=True)
        drawing.marked = abs(float(tip[0]))
        away = 1.0 if tip[0] >= 0 else -1.0
        beside = "start" if away > 0 else "end"
        drawing.words(tip, value_text(m), bold=True, anchor=beside, shift_px=(12 * away, 22))
        foot = np.array([0.0, -0.62])
        drawing.words(foot, words, colour=palette.BLUE, anchor="start", shift_px=(8, 0))
        return drawing

    return drawn


def _trace(pose: Pose, plane_at: _PlaneAt) -> Array:
    """The tip between trophy and racket low point, each time against that instant's own plane."""
    events = pose.result.events
    t0, t1 = events.time("trophy"), events.time("racket_low")
    if t0 is None or t1 is None:
        return np.zeros((0, 2))
    rows = []
    for t in np.linspace(t0, t1, _STEPS):
        then = Pose(pose.result, float(t))
        plane, tip = plane_at(then), then.at("racket_tip")
        if plane is not None and np.isfinite(tip).all():
            away = tip - plane.origin_m
            rows.append([pose.h * away @ plane.normal, away @ plane.spine])
    return np.array(rows).reshape(-1, 2)
