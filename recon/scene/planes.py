"""The spine plane, the baseline plane, and what is measured against them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import Array
from recon import body
from recon.records import Motion, side_names
from recon.scene import palette
from recon.scene.body import positions_at
from recon.scene.parts import Dots, Lines, Part, Patches, Words

_ALONG_SPINE_M = (-0.75, 0.85)
_ALONG_ANTERIOR_M = (-0.75, 0.75)
_BASELINE_HALF_WIDTH_M = 1.3
_BASELINE_HEIGHT_M = 1.35
_NO_STROKES = np.zeros((0, 2, 3))
_NO_POINTS = np.zeros((0, 3))


@dataclass(frozen=True, slots=True, eq=False)
class SpinePlane:
    """The plane through mid-shoulder that spans the spine axis and the anterior direction, court frame.

    origin_m (3,) mid-shoulder; spine (3,) from mid-hip to mid-shoulder; normal (3,) to the hitting side;
    anterior (3,) where the chest faces. All unit vectors.
    """

    origin_m: Array
    spine: Array
    normal: Array
    anterior: Array

    def distance_m(self, x_m: Array) -> Array:
        """Signed distance (...,) of points (..., 3): positive on the hitting side."""
        return np.asarray((x_m - self.origin_m) @ self.normal)


def spine_plane(keypoints: tuple[str, ...], xyz_m: Array, handedness: str) -> SpinePlane | None:
    """The plane of one pose (P, 3), as the measures define it; None where a shoulder or a hip is absent."""
    needed = [f"{side}_{part}" for side in ("left", "right") for part in ("shoulder", "hip")]
    if any(name not in keypoints for name in needed):
        return None
    pose = xyz_m[None]
    plane = body.spine_plane(body.Body(np.zeros(1), keypoints, pose, np.zeros_like(pose), handedness))
    parts = [plane.origin_m[0], plane.along[0], plane.side[0], plane.front[0]]
    return SpinePlane(*parts) if np.isfinite(parts).all() else None


def spine_plane_parts(motion: Motion, handedness: str, t_s: float) -> tuple[Part, ...]:
    """The plane with its rim and name, and a stroke for the tip's distance to it, at one rig time."""
    xyz = positions_at(motion, t_s)
    plane = spine_plane(motion.keypoints, xyz, handedness)
    corners, rim, reach, at = np.zeros((0, 4, 3)), _NO_STROKES, _NO_STROKES, _NO_POINTS
    if plane is not None:
        (s0, s1), (a0, a1) = _ALONG_SPINE_M, _ALONG_ANTERIOR_M
        steps = np.array([[s0, a0], [s0, a1], [s1, a1], [s1, a0]])
        four = plane.origin_m + steps @ np.stack([plane.spine, plane.anterior])
        corners, rim = four[None], np.stack([four, np.roll(four, -1, axis=0)], axis=1)
        at = four[3:4]
        tip = (
            xyz[motion.keypoints.index("racket_tip")]
            if "racket_tip" in motion.keypoints
            else np.full(3, np.nan)
        )
        if np.isfinite(tip).all():
            reach = np.array([[tip, tip - plane.distance_m(tip) * plane.normal]])
    return (
        Patches("spine_plane", "spine_plane", corners, palette.SPINE_PLANE, 0.32),
        Lines("spine_plane_rim", "spine_plane", rim, palette.BLUE, 1.5),
        Lines("tip_to_plane", "spine_plane", reach, palette.BLACK, 2.0),
        Words("spine_plane_name", "spine_plane", ("spine plane",) * len(at), at),
    )


def baseline_plane(motion: Motion) -> tuple[Part, ...]:
    """The upright plane on the rear edge of the baseline, around where the hips were."""
    hips = motion.xyz_m[:, [motion.index("left_hip"), motion.index("right_hip")], 0]
    x = float(np.nanmean(hips)) if np.isfinite(hips).any() else 0.0
    x0, x1, top = x - _BASELINE_HALF_WIDTH_M, x + _BASELINE_HALF_WIDTH_M, _BASELINE_HEIGHT_M
    four = np.array([[x0, 0.0, 0.0], [x1, 0.0, 0.0], [x1, 0.0, top], [x0, 0.0, top]])
    rim = np.stack([four, np.roll(four, -1, axis=0)], axis=1)
    return (
        Patches("baseline_plane", "baseline_plane", four[None], palette.BASELINE_PLANE, 0.22),
        Lines("baseline_plane_rim", "baseline_plane", rim, palette.PURPLE, 1.5),
        Words("baseline_plane_name", "baseline_plane", ("baseline, rear edge",), four[3:4]),
    )


def hip_projection(motion: Motion, handedness: str, t_s: float) -> tuple[Part, ...]:
    """From the front hip straight down to the ground, and along the ground to the baseline's rear edge."""
    hip = positions_at(motion, t_s)[motion.index(f"{side_names(handedness)['front']}_hip")]
    down, along, feet = _NO_STROKES, _NO_STROKES, _NO_POINTS
    if np.isfinite(hip).all():
        below, on_line = hip * [1.0, 1.0, 0.0], hip * [1.0, 0.0, 0.0]
        lift = np.array([0.0, 0.0, 0.012])
        down, along = np.array([[hip, below]]), np.array([[below + lift, on_line + lift]])
        feet = np.array([hip, below])
    return (
        Lines("hip_down", "baseline_plane", down, palette.PURPLE, 2.0),
        Lines("hip_to_baseline", "baseline_plane", along, palette.PURPLE, 6.0),
        Dots("hip_points", "baseline_plane", feet, palette.PURPLE, 0.03),
    )
