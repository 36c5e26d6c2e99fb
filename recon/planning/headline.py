"""The measures that a plan is judged by, as recon.measures defines them, and how they lean on the points."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.body import Body, elbow_angle_rad, foot_yaw_rad, knee_flexion_rad, tip_to_spine_plane_m
from recon.measures import MEASURES, Athlete, Serve
from recon.planning.serve import InventedServe
from recon.records import Event, Events

Value = Callable[[Body, Events], float]
Course = Callable[[Body], Array]

_STEP_M = 1e-5  # of the central differences: far below any error, far above rounding
_NOTHING = 1e-9
_HALF_WIDTH_S = 0.05  # of the parabola laid through the deepest bend


@dataclass(frozen=True, slots=True)
class PlannedMeasure:
    """One row of a plan.

    unit    "m", "rad" or "s"
    goal    expanded uncertainty (k = 2) that the rig is wished to reach, same unit: this project's choice
    value   the measure of a serve; course  the same quantity at every sample
    picks   the value is that of the sample where something is largest or smallest; noise moves the choice, so
            that derivatives at the true choice tell too little
    """

    name: str
    label: str
    unit: str
    goal: float
    value: Value
    course: Course
    picks: bool = False


def deepest_bend_time_s(body: Body, events: Events) -> float:
    """When the mean knee flexion is largest between start and push-off, read between the samples.

    recon.events takes the largest sample; the parabola through the samples within 50 ms of it finds the same
    instant without steps.
    """
    bend = _mean_bend(body)
    window = body.between(events.time("start") or -np.inf, events.time("push_off") or np.inf)
    if np.isnan(bend[window]).any():
        return np.nan
    top = float(body.t_s[window[int(bend[window].argmax())]])
    near = body.between(top - _HALF_WIDTH_S, top + _HALF_WIDTH_S)
    c2, c1, _ = np.polyfit(body.t_s[near] - top, bend[near], 2)
    return float(top - c1 / (2 * c2))


def _from_catalogue(name: str) -> Value:
    def value(body: Body, events: Events) -> float:
        found = MEASURES[name].compute(Serve(body, events, Athlete())).value
        return float("nan") if found is None else found

    return value


def _front_knee(body: Body) -> Array:
    return knee_flexion_rad(body, "front")


def _mean_bend(body: Body) -> Array:
    return (knee_flexion_rad(body, "front") + knee_flexion_rad(body, "back")) / 2


def _head_middle_z(body: Body) -> Array:
    return np.asarray((body.point("racket_tip")[:, 2] + body.point("racket_throat")[:, 2]) / 2)


_DEGREE = np.pi / 180
ROWS = (
    PlannedMeasure("spine_plane_min", "Racket tip to spine plane, smallest", "m", 0.06,
                   _from_catalogue("spine_plane_min"), lambda b: tip_to_spine_plane_m(b)[0], picks=True),
    PlannedMeasure("hip_past_baseline_max", "Front hip past the baseline, largest", "m", 0.06,
                   _from_catalogue("hip_past_baseline_max"), lambda b: b.point("front_hip")[:, 1], picks=True),
    PlannedMeasure("front_foot_turn", "Front foot's turn, stance to push-off", "rad", 20 * _DEGREE,
                   _from_catalogue("front_foot_turn"), lambda b: foot_yaw_rad(b, "front")),
    PlannedMeasure("elbow_angle_trophy", "Hitting elbow at trophy", "rad", 15 * _DEGREE,
                   _from_catalogue("elbow_angle_trophy"), elbow_angle_rad),
    PlannedMeasure("front_knee_flexion_deepest", "Front knee bend at deepest bend", "rad", 10 * _DEGREE,
                   _from_catalogue("front_knee_flexion_deepest"), _front_knee),
    PlannedMeasure("deepest_bend_time", "Time of the deepest bend", "s", 0.06,
                   deepest_bend_time_s, _mean_bend, picks=True),
    PlannedMeasure("contact_height", "Height of contact", "m", 0.03,
                   _from_catalogue("contact_height"), _head_middle_z),
)  # fmt: skip
"""Goals: what tells one serve of a player from the next in a coach's use (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Lean:
    """How a measure leans on the points: samples (N,), points (N,), gradient (N, 3) per metre."""

    sample: NDArray[np.intp]
    point: NDArray[np.intp]
    gradient: Array


def leans(serve: InventedServe) -> Mapping[str, Lean]:
    """Lean of every row's value. Rests on the serve alone, not on the rig."""
    return MappingProxyType({row.name: _lean(row.value, serve) for row in ROWS})


def _lean(value: Value, serve: InventedServe) -> Lean:
    """Central differences by halving: a stretch of samples without effect is not looked at closer."""
    body, events = serve.body, serve.events
    rows: dict[tuple[int, int], Array] = {}

    def slope(first: int, last: int, p: int, axis: int) -> float:
        moved = []
        for sign in (1, -1):
            xyz = body.xyz_m.copy()
            xyz[first:last, p, axis] += sign * _STEP_M
            moved.append(value(replace(body, xyz_m=xyz), events))
        return (moved[0] - moved[1]) / (2 * _STEP_M)

    def descend(first: int, last: int, p: int, axis: int) -> None:
        s = slope(first, last, p, axis)
        if last - first == 1:
            if abs(s) > _NOTHING:
                rows.setdefault((first, p), np.zeros(3))[axis] = s
            return
        middle = (first + last) // 2
        # both halves may cancel in the whole, so each is asked for itself
        for a, b in ((first, middle), (middle, last)):
            if abs(slope(a, b, p, axis)) > _NOTHING:
                descend(a, b, p, axis)

    for p in _leaned_on(value, serve):
        for axis in range(3):
            descend(0, len(body.t_s), p, axis)
    keys = sorted(rows)
    samples, points = (np.array([k[i] for k in keys], dtype=np.intp) for i in range(2))
    return Lean(samples, points, np.array([rows[k] for k in keys]).reshape(-1, 3))


def _leaned_on(value: Value, serve: InventedServe) -> list[int]:
    """The points whose absence takes the measure away."""
    found = []
    for p in range(len(serve.body.keypoints)):
        xyz = serve.body.xyz_m.copy()
        xyz[:, p] = np.nan
        if np.isnan(value(replace(serve.body, xyz_m=xyz), serve.events)):
            found.append(p)
    return found


def course_gradient(row: PlannedMeasure, body: Body) -> Array:
    """(T, P, 3) derivative of the row's course at each sample by the points of that sample."""
    out = np.zeros(body.xyz_m.shape)
    for p in range(len(body.keypoints)):
        for axis in range(3):
            ends = []
            for sign in (1, -1):
                xyz = body.xyz_m.copy()
                xyz[:, p, axis] += sign * _STEP_M
                ends.append(row.course(replace(body, xyz_m=xyz)))
            out[:, p, axis] = (ends[0] - ends[1]) / (2 * _STEP_M)
    return out


def event_time_u(row: PlannedMeasure, serve: InventedServe) -> float:
    """What the events' own uncertainty adds: each is moved by ± its u, half the difference counts."""
    total = 0.0
    for event in serve.events.events:
        if event.t_s is None or event.u_s is None:
            continue
        ends = [row.value(serve.fine, _shifted(serve.events, event, sign * event.u_s)) for sign in (1, -1)]
        total += ((ends[0] - ends[1]) / 2) ** 2
    return float(np.sqrt(total))


def _shifted(events: Events, moved: Event, by_s: float) -> Events:
    return Events(
        tuple(replace(e, t_s=e.t_s + by_s) if e is moved and e.t_s is not None else e for e in events.events)
    )
