"""Clicked court points: the record, what is wrong with a set of them, and a first placement of the court."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array, checked, flat
from calibration.court.model import court_point
from calibration.errors import BadInput
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.geometry.similarity import fit_similarity

LEAST_EACH, WANTED_EACH = 4, 8
"""Points per camera where only its lens is known. Three leave two poses; from five on a wrong one can be told,
and from about eight on another point no longer helps much."""

_FOURS = 40  # subsets of four clicks tried per picture: with one wrong click in five, 16 of them are clean


@dataclass(frozen=True, slots=True, eq=False)
class Click:
    """A named court point clicked in one camera's picture, uv_px (2,)."""

    camera: str
    point: str
    uv_px: Array

    def __post_init__(self) -> None:
        court_point(self.point)
        object.__setattr__(self, "uv_px", checked(self.uv_px, (2,), f"click on {self.point} in {self.camera}"))


def check_clicks(rig: CalibratedRig, clicks: Sequence[Click]) -> None:
    for click in clicks:
        camera = rig.camera(click.camera)
        width, height = camera.size_px
        u, v = click.uv_px
        if not (-0.5 <= u <= width - 0.5 and -0.5 <= v <= height - 0.5):
            raise BadInput(
                f"click on {click.point} in {click.camera}: want a pixel inside {width}x{height}, "
                f"got {u:g}, {v:g}"
            )
    named = [(c.camera, c.point) for c in clicks]
    twice = sorted({n for n in named if named.count(n) > 1})
    if twice:
        raise BadInput(f"court clicks: {twice[0][1]} is clicked twice in {twice[0][0]}")
    want_enough(clicks, [], len(clicks))


def want_enough(clicks: Sequence[Click], bad: Sequence[str], total: int) -> None:
    """Three points off one line and three click pairs' worth of data are the least that fix six numbers."""
    excluded = f" after leaving out {', '.join(bad)}" if bad else ""
    if len(bad) > max(1, total // 4):
        raise BadInput(
            f"court clicks contradict each other: {', '.join(bad)}; check the names of the points clicked"
        )
    points = sorted({c.point for c in clicks})
    if len(points) < 3:
        raise BadInput(
            f"court clicks: want at least 3 different points (better 6 or more), got {len(points)}{excluded}"
        )
    xy = np.array([court_point(p).xyz_m[:2] for p in points])
    if np.linalg.svd(xy - xy.mean(axis=0), compute_uv=False)[1] < 0.5:
        raise BadInput(
            f"court clicks: {', '.join(points)} lie on one line{excluded}; click also a point off that line, "
            "such as a corner of the service box"
        )
    if len(clicks) < 4:
        raise BadInput(f"court clicks: want at least 4 clicks over all pictures, got {len(clicks)}{excluded}")


def want_each(cameras: Sequence[Camera], clicks: Sequence[Click], bad: Sequence[str]) -> None:
    """What each camera must show of the court where no board ties it to the others.

    Raises BadInput naming the camera, what it has, and what it wants.
    """
    excluded = f" after leaving out {', '.join(bad)}" if bad else ""
    for camera in cameras:
        own = [c.point for c in clicks if c.camera == camera.name]
        if len(own) < LEAST_EACH:
            raise BadInput(
                f"court clicks: {camera.name} has {len(own)} of the {LEAST_EACH} points that it needs at least "
                f"(better {WANTED_EACH}){excluded}: no board ties it to the other cameras"
            )
        xyz = np.array([court_point(p).xyz_m for p in own])
        if np.linalg.svd(xyz - xyz.mean(axis=0), compute_uv=False)[1] < 0.5:
            raise BadInput(
                f"court clicks: the points of {camera.name} ({', '.join(own)}) lie on one line{excluded}; "
                "click also a point off that line"
            )


def first_pose(camera: Camera, clicks: Sequence[Click]) -> Rigid:
    """cam_from_court of one camera from its own clicks, right to a few pixels; wrong clicks are outvoted.

    Raises BadInput where no pose fits them.
    """
    own = [c for c in clicks if c.camera == camera.name]
    origin = camera.placed(Rigid.identity(f"cam_{camera.name}", "court"))
    candidates = [Rigid(p.R, p.t_m, f"cam_{camera.name}", "court") for p in _from_one_picture(origin, own)]
    points = np.array([court_point(c.point).xyz_m for c in own])
    clicked = np.array([c.uv_px for c in own])
    misses = []
    for i, pose in enumerate(candidates):
        miss = np.linalg.norm(np.nan_to_num(clicked - camera.placed(pose).project(points), nan=1e6), axis=1)
        misses.append((float(np.median(miss)), i))
    if not misses:
        raise BadInput(
            f"court clicks: no place of {camera.name} fits its clicks; check the names of its points"
        )
    return candidates[min(misses)[1]]


def first_placement(rig: CalibratedRig, clicks: Sequence[Click]) -> Rigid:
    """The candidate place of the court under which half of the clicks fit best."""
    candidates: list[Rigid] = []
    for camera in rig.cameras:
        own = [c for c in clicks if c.camera == camera.name]
        if len(own) >= 4:
            candidates += _from_one_picture(camera, own)
    candidates += _from_triangles(rig, clicks)
    scored = [(float(np.median(_lengths(rig, clicks, c))), i) for i, c in enumerate(candidates)]
    scored = [s for s in scored if np.isfinite(s[0])]
    if not scored:
        raise BadInput(
            "court clicks: no placement of the court fits them; want 4 points in one picture, or 3 points that "
            "are each clicked in two pictures"
        )
    return candidates[min(scored)[1]]


def _lengths(rig: CalibratedRig, clicks: Sequence[Click], rig_from_court: Rigid) -> Array:
    """(C,) distance of each click from where this placement puts its point; huge behind a camera."""
    out = np.zeros(len(clicks))
    for camera in rig.cameras:
        own = [i for i, c in enumerate(clicks) if c.camera == camera.name]
        if own:
            x = rig_from_court.apply(np.array([court_point(clicks[i].point).xyz_m for i in own]))
            miss = np.array([clicks[i].uv_px for i in own]) - camera.project(x)
            out[own] = np.linalg.norm(np.nan_to_num(miss, nan=1e6), axis=1)
    return out


def _from_one_picture(camera: Camera, clicks: Sequence[Click]) -> list[Rigid]:
    """From all clicks of one picture, and (against wrong ones) from its subsets of four.

    On the ground: Collins T, Bartoli A (2014), Infinitesimal plane-based pose estimation. With the net's upper
    edge among them: Terzakis G, Lourakis M (2020), A consistently fast and globally optimal solution to the
    PnP problem.
    """
    found = []
    points_m = np.array([court_point(c.point).xyz_m for c in clicks])
    n = camera.normalised(np.array([c.uv_px for c in clicks]))
    seen = [i for i in range(len(clicks)) if np.isfinite(n[i]).all()]
    ground = [i for i in seen if points_m[i, 2] == 0]
    fours = list(combinations(ground, 4))
    if len(ground) < 6:
        fours += [f for f in combinations(seen, 4) if not set(f) <= set(ground)]
    for subset in [tuple(ground), *fours[:: max(1, len(fours) // _FOURS)]]:
        x = points_m[list(subset)]
        if len(subset) < 4 or np.linalg.svd(x - x.mean(axis=0), compute_uv=False)[1] < 0.5:
            continue
        turns, shifts = _pnp(x, n[list(subset)])
        for turn, shift in zip(turns, shifts, strict=True):
            if np.isfinite(turn).all() and np.isfinite(shift).all():
                pose = Rigid.from_rotvec(flat(turn), flat(shift), f"cam_{camera.name}", "court")
                found.append(camera.cam_from_world.inverse() @ pose)
    return found


def _pnp(points_m: Array, n: Array) -> tuple[list[Array], list[Array]]:
    """Turns and shifts that take points to normalised coordinates: two for a plane, one otherwise."""
    if np.ptp(points_m[:, 2]) == 0:
        try:
            found = cv2.solvePnPGeneric(points_m, n, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
            if found[1] and np.isfinite([*found[1], *found[2]]).all():
                return [flat(r) for r in found[1]], [flat(t) for t in found[2]]
        except cv2.error:  # three of four points on one line
            pass
    try:
        found = cv2.solvePnPGeneric(points_m, n, np.eye(3), None, flags=cv2.SOLVEPNP_SQPNP)
    except cv2.error:
        return [], []
    return [flat(r) for r in found[1]], [flat(t) for t in found[2]]


def _from_triangles(rig: CalibratedRig, clicks: Sequence[Click]) -> list[Rigid]:
    """From points clicked in two or more pictures: meeting points of their rays, then Umeyama's fit."""
    met, true = [], []
    for point in sorted({c.point for c in clicks}):
        own = [c for c in clicks if c.point == point]
        if len(own) >= 2:
            met.append(meet(rig, own))
            true.append(court_point(point).xyz_m)
    if len(met) < 3:
        return []
    try:
        fit = fit_similarity(np.array(true), np.array(met), with_scale=False)
    except BadInput:  # all on one line
        return []
    return [Rigid(fit.R, fit.t, "rig", "court")]


def meet(rig: CalibratedRig, clicks: Sequence[Click]) -> Array:
    """The point closest to all rays (unweighted; a start only)."""
    a, b = np.zeros((3, 3)), np.zeros(3)
    for click in clicks:
        camera = rig.camera(click.camera)
        d = camera.rays(click.uv_px)
        across = np.eye(3) - np.outer(d, d)
        a += across
        b += across @ camera.centre_m()
    return np.asarray(np.linalg.lstsq(a, b, rcond=None)[0])
