"""Paths through time: the racket tip, the ball, and the front foot's headings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration import Array
from recon.body import Body, tip_to_spine_plane_m
from recon.records import BallFlight, Events, Motion, side_names
from recon.scene import palette
from recon.scene.body import positions_at
from recon.scene.parts import Lines, Part, Words

_NEAR_SMALLEST_M = 0.05  # the marked stretch: within 5 cm of the smallest distance
_ARROW_BEYOND_TOE_M = {"stance": 0.35, "push_off": 0.60}  # unlike, so that their names stay apart
_ARROW_HEAD_M = 0.09
_ON_GROUND_M = 0.012
_BALL_STEPS = 60


def tip_distances_m(motion: Motion, handedness: str) -> Array:
    """(T,) signed distance of the racket tip from the spine plane; NaN where either is absent."""
    needed = {"racket_tip", "left_shoulder", "right_shoulder", "left_hip", "right_hip"}
    if not needed <= set(motion.keypoints):
        return np.full(len(motion.t_s), np.nan)
    return tip_to_spine_plane_m(Body.of(motion, handedness))[0]


def stretch_near_smallest(distances_m: Array, first: int, last: int) -> NDArray[np.intp]:
    """Consecutive samples of [first, last] around the smallest distance, within 5 cm of it; may be empty."""
    inside = distances_m[first : last + 1]
    if not np.isfinite(inside).any():
        return np.zeros(0, dtype=np.intp)
    k = first + int(np.nanargmin(inside))
    near = np.nan_to_num(distances_m, nan=np.inf) <= distances_m[k] + _NEAR_SMALLEST_M
    a = b = k
    while a > first and near[a - 1]:
        a -= 1
    while b < last and near[b + 1]:
        b += 1
    return np.arange(a, b + 1)


def _strokes(points: Array) -> Array:
    ends = np.stack([points[:-1], points[1:]], axis=1)
    return np.asarray(ends[np.isfinite(ends).all(axis=(1, 2))])


def tip_trace(motion: Motion, events: Events, handedness: str) -> tuple[Part, ...]:
    """The tip's path from release to just after contact; the stretch near its smallest distance is wide."""
    if "racket_tip" not in motion.keypoints:
        return ()
    path, t = motion.path("racket_tip"), motion.t_s
    release, contact = events.time("release"), events.time("contact")
    a = motion.nearest(release) if release is not None else 0
    b = motion.nearest(contact + 0.08) if contact is not None else len(t) - 1
    trophy, low = events.time("trophy"), events.time("racket_low")
    marked = np.zeros(0, dtype=np.intp)
    if trophy is not None and low is not None:
        distances = tip_distances_m(motion, handedness)
        marked = stretch_near_smallest(distances, motion.nearest(trophy), motion.nearest(low))
    near = _strokes(path[marked]) if len(marked) else np.zeros((0, 2, 3))
    return (
        Lines("tip_trace", "tip_trace", _strokes(path[a : b + 1]), palette.RACKET, 2.5),
        Lines("tip_near_plane", "tip_trace", near, palette.BLACK, 7.0),
    )


def ball_path(motion: Motion, events: Events, flight: BallFlight | None) -> tuple[Part, ...]:
    """The ball's free flight as fitted; without a fit, the followed points between release and contact."""
    if flight is not None:
        points = flight.at(np.linspace(flight.t0_s, flight.t1_s, _BALL_STEPS))
    elif "ball" in motion.keypoints:
        t0, t1 = events.time("release"), events.time("contact")
        a = motion.nearest(t0) if t0 is not None else 0
        b = motion.nearest(t1) if t1 is not None else len(motion.t_s) - 1
        points = motion.path("ball")[a : b + 1]
    else:
        return ()
    return (Lines("ball_path", "ball_path", _strokes(points), palette.ORANGE, 2.5),)


def foot_heading_m(motion: Motion, handedness: str, t_s: float) -> Array | None:
    """(2, 3) heel and toe of the front foot on the ground at a rig time; None where either is absent."""
    side = side_names(handedness)["front"]
    xyz = positions_at(motion, t_s)
    pair = xyz[[motion.index(f"{side}_heel"), motion.index(f"{side}_toe")]] * [1.0, 1.0, 0.0]
    return np.asarray(pair) if np.isfinite(pair).all() else None


def _arrow(heel: Array, toe: Array, beyond_m: float) -> Array:
    ahead = (toe - heel) / np.linalg.norm(toe - heel)
    aside = np.array([-ahead[1], ahead[0], 0.0])
    point = toe + beyond_m * ahead
    back = point - _ARROW_HEAD_M * ahead
    ends = [
        [heel, point],
        [point, back + 0.5 * _ARROW_HEAD_M * aside],
        [point, back - 0.5 * _ARROW_HEAD_M * aside],
    ]
    return np.asarray(np.array(ends) + np.array([0.0, 0.0, _ON_GROUND_M]))


def foot_headings(motion: Motion, events: Events, handedness: str) -> tuple[Part, ...]:
    """Arrows heel -> toe of the front foot at stance (thin) and at push-off (wide), with their names."""
    parts: list[Part] = []
    for event, words, width in (("stance", "stance", 3.0), ("push_off", "push-off", 6.0)):
        t = events.time(event)
        pair = foot_heading_m(motion, handedness, t) if t is not None else None
        ends = _arrow(pair[0], pair[1], _ARROW_BEYOND_TOE_M[event]) if pair is not None else np.zeros((0, 2, 3))
        parts.append(Lines(f"foot_{event}", "foot_headings", ends, palette.FOOT, width))
        parts.append(Words(f"foot_{event}_name", "foot_headings", (words,) * min(len(ends), 1), ends[:1, 1]))
    return tuple(parts)
