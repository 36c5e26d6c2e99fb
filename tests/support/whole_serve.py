"""The INVENTED example once more with every point in sight and a landing, so that every measure is taken."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.checks import Array
from recon.body import unit
from recon.records import EDGES, KEYPOINTS, Event, Events, Motion, PointStatus
from recon.result import Result
from tests.support.example_measures import example_measures
from tests.support.example_motion import invented_motion

_LANDED_S, _SETTLED_S = 1.50, 1.62
_HALF_HEAD_M, _ROLL_RAD_S = 0.13, 3.0


def whole_serve(result: Result) -> Result:
    """The same session with all points measured; the front foot comes down at 1.50 s and stays."""
    file = result.session.file
    t, xyz, _, _ = invented_motion(file.handedness)
    front = "left" if file.handedness == "right" else "right"
    down = t >= _LANDED_S
    for part in ("toe", "heel"):
        k = KEYPOINTS.index(f"{front}_{part}")
        xyz[down, k] = xyz[down, k][0] * [1, 1, 0] + xyz[0, k] * [0, 0, 1]
    xyz = np.concatenate([xyz, _edges(t, xyz)], axis=1)
    velocity = np.gradient(xyz, t, axis=0)
    cov = np.broadcast_to(np.eye(3) * 6e-5, (*xyz.shape, 3))
    status = np.full(xyz.shape[:2], PointStatus.OK, dtype=np.int8)
    motion = Motion("court", (*KEYPOINTS, *EDGES), t, xyz, velocity, cov, status)
    times = {"landing": _LANDED_S, "settled": _SETTLED_S}
    events = Events(
        tuple(Event(e.name, times[e.name], 0.01) if e.name in times else e for e in result.events.events)
    )
    measures = example_measures(motion, events, file.handedness, file.height_m or 1.8, result.flight, hidden={})
    return replace(result, motion=motion, events=events, measures=measures)


def _edges(t: Array, xyz: Array) -> Array:
    """(T, 2, 3) both edges of a head that turns evenly about the racket's long axis."""
    throat, tip = (xyz[:, KEYPOINTS.index(f"racket_{part}")] for part in ("throat", "tip"))
    axis = unit(tip - throat)
    level = unit(np.cross(axis, [0.0, 0.0, 1.0]))
    roll = _ROLL_RAD_S * t[:, None]
    across = _HALF_HEAD_M * (np.cos(roll) * level + np.sin(roll) * np.cross(axis, level))
    middle = (throat + tip) / 2
    return np.stack([middle + across, middle - across], axis=1)
