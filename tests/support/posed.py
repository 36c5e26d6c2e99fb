"""A made-up still pose, and the same with some points moving, for measures worked out by hand. INVENTED."""

from __future__ import annotations

import numpy as np

from recon.body import Body
from recon.measures import MEASURES, Athlete, Reading, Serve
from recon.records import EVENT_NAMES, KEYPOINTS, BallFlight, Event, Events, Motion, PointStatus, other_side

T = np.linspace(0.0, 2.0, 241)
TIMES = {
    "stance": 0.2, "start": 0.3, "lift_start": 0.4, "release": 0.6, "knee_bend_onset": 0.65, "trophy": 0.9,
    "deepest_bend": 1.0, "push_off": 1.3, "racket_low": 1.4, "contact": 1.6, "landing": 1.75, "settled": 1.95,
}  # fmt: skip
EVENTS = Events(tuple(Event(n, TIMES[n], 0.005) for n in EVENT_NAMES))

RIGHT_HANDER = {
    "right_shoulder": (0.2, 0.0, 1.5), "left_shoulder": (-0.2, 0.0, 1.5),
    "right_hip": (0.1, 0.10, 1.0), "left_hip": (-0.1, 0.14, 1.0),
    "right_elbow": (0.5, 0.0, 1.5), "right_wrist": (0.5, 0.0, 1.8),
    "left_elbow": (-0.4, 0.0, 1.7), "left_wrist": (-0.5, 0.1, 2.0),
    "right_index": (0.47, 0.0, 1.88), "right_pinky": (0.53, 0.0, 1.88),
    "left_index": (-0.47, 0.1, 2.08), "left_pinky": (-0.53, 0.1, 2.08),
    "left_knee": (-0.1, 0.14, 0.5), "left_ankle": (-0.1, -0.36, 0.5),
    "right_knee": (0.1, 0.10, 0.5), "right_ankle": (0.1, 0.10, 0.1),
    "left_heel": (-0.2, -0.30, 0.03), "left_toe": (0.0, -0.10, 0.03),
    "right_heel": (0.2, -0.60, 0.03), "right_toe": (0.2, -0.40, 0.03),
    "nose": (0.0, 0.1, 1.7), "left_ear": (-0.07, 0.0, 1.7), "right_ear": (0.07, 0.0, 1.7),
    "left_eye": (-0.03, 0.09, 1.72), "right_eye": (0.03, 0.09, 1.72),
    "racket_tip": (0.3, -0.3, 2.0), "racket_throat": (0.3, -0.2, 2.2), "racket_butt": (0.4, 0.0, 1.9),
}  # fmt: skip
"""A made-up still pose of a right-hander facing +y with mid-hip at y = 0.12: the trunk leans back."""

LEAN = np.arctan2(0.12, 0.5)


def tossed(hand: str) -> BallFlight:
    """A second in the air from (-0.4, 0.2, 2.0) at release to (-0.3, 0.5, 2.0) at contact, then struck."""
    x = 1.0 if hand == "right" else -1.0
    return BallFlight(
        t0_s=0.6, t1_s=1.6, position_m=np.array([-0.4 * x, 0.2, 2.0]),
        velocity_m_s=np.array([0.1 * x, 0.3, 9.81 / 2]), gravity_m_s2=9.81, u_gravity_m_s2=0.01, rms_m=0.001,
        release_s=0.6, contact_s=1.6, struck_velocity_m_s=np.array([0.0, 40.0, -3.0]), struck_sightings=5,
    )  # fmt: skip


def still(pose: dict[str, tuple[float, float, float]], handedness: str) -> Body:
    xyz = np.full((len(T), len(KEYPOINTS), 3), np.nan)
    for name, place in pose.items():
        xyz[:, KEYPOINTS.index(name)] = place
    return Body(T, KEYPOINTS, xyz, np.where(np.isnan(xyz), np.nan, 0.0), handedness)


def mirrored(pose):
    """The same pose of a left-hander: everything mirrored in x, left and right exchanged."""
    return {other_side(name): (-x, y, z) for name, (x, y, z) in pose.items()}


def posed(hand: str, **changed: tuple[float, float, float]) -> Body:
    pose = RIGHT_HANDER | changed
    return still(pose if hand == "right" else mirrored(pose), hand)


def moving(hand: str, **paths: np.ndarray) -> Body:
    """The still pose with some points (T, 3) moving, told for a right-hander."""
    xyz = still(RIGHT_HANDER, "right").xyz_m.copy()
    for name, path in paths.items():
        xyz[:, KEYPOINTS.index(name)] = path
    if hand == "left":
        xyz = xyz[:, [KEYPOINTS.index(other_side(name)) for name in KEYPOINTS]] * [-1.0, 1.0, 1.0]
    return Body(T, KEYPOINTS, xyz, np.gradient(xyz, T, axis=0), hand)


def read(
    name: str,
    body: Body,
    athlete: Athlete | None = None,
    ball: BallFlight | None = None,
    events: Events = EVENTS,
) -> float | None:
    return taken(name, body, athlete, ball, events).value


def taken(
    name: str,
    body: Body,
    athlete: Athlete | None = None,
    ball: BallFlight | None = None,
    events: Events = EVENTS,
) -> Reading:
    return MEASURES[name].compute(Serve(body, events, athlete or Athlete(height_m=1.75), ball))


FOOT_M = 0.2 * np.sqrt(2)  # of the front foot; the back one is 0.2 m long


def as_motion(body: Body) -> Motion:
    present = ~np.isnan(body.xyz_m).any(axis=2)
    status = np.where(present, PointStatus.OK, PointStatus.TOO_FEW_VIEWS)
    cov = np.where(present[..., None, None], np.eye(3) * 1e-6, np.nan)
    return Motion("court", KEYPOINTS, body.t_s, body.xyz_m, body.velocity_m_s, cov, status)
