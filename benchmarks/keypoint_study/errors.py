"""What the detector got wrong on the takes: offsets in space, and errors in the pictures."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np

from benchmarks.keypoint_study.chain import at, motion_of, tracks_of
from benchmarks.keypoint_study.detect import detect
from benchmarks.keypoint_study.footage import read_truth
from calibration.checks import Array
from calibration.geometry import Camera
from demo_rigs.cast import Take
from recon.detector_study import DetectorStudy, apparent_height_px, mirrored
from recon.joints import postures
from recon.records import BODY, Motion
from recon.segments import Points, body_scale_m, frame_pairs


@dataclass(frozen=True, slots=True, eq=False)
class Offsets:
    """One body point of one take: how far the followed point lies from the joint, metres / body size.

    frames (T, 3, 6): the two segments' axes side by side; offset (T, 3) in the court frame; scale_m the body
    size.
    """

    athlete: str
    part: str
    scale_m: float
    frames: Array
    offset: Array


@dataclass(frozen=True, slots=True, eq=False)
class Residuals:
    """One body point in one view of one take, every frame.

    uv (T, 2) seen minus projected joint, in shares of the apparent height; by_offset (T, 2, 6) how these move
    with an offset in the two segments' frames (body sizes); visibility, spread (T,), the latter in shares too.
    posture (T, 51) as this camera saw it, of the mirrored body for a point of the left side (mirrored).
    """

    athlete: str
    part: str
    point: str  # take and keypoint: its views belong together
    t_s: Array
    uv: Array
    by_offset: Array
    visibility: Array
    spread: Array
    posture: Array
    mirrored: bool


Row = TypeVar("Row", Offsets, Residuals)


def errors_of(
    work: Path, take: Take, mode: str, study: DetectorStudy | None = None
) -> tuple[list[Offsets], list[Residuals]]:
    """Offsets of all body points of a take, and their errors in every view; without a study's view errors where
    one is given.
    """
    seen = {c: detect(work, take, c, mode) for c in take.scene.cameras}
    found = motion_of(take, tracks_of(take, seen, mode), study=study)
    tracks, motion = found.tracks, found.motion
    t, names, xyz = read_truth(work, take)
    joints = xyz[:, [names.index(n) for n in BODY]]
    true = at(t, joints, motion.t_s)
    points = Points(motion.keypoints, motion.xyz_m)
    scale = body_scale_m(points)
    offsets, residuals = [], []
    shown = {n: _postures(c, motion, scale) for n, c in take.scene.cameras.items()}
    for p, name in enumerate(BODY):
        frames = np.concatenate(frame_pairs(points, name), axis=2)
        offset = (motion.xyz_m[:, p] - true[:, p]) / scale
        known = np.isfinite(frames).all(axis=(1, 2)) & np.isfinite(offset).all(axis=1)
        part = name.split("_")[-1]
        offsets.append(Offsets(take.athlete, part, scale, frames[known], offset[known]))
        for camera in tracks.cameras:
            t_cam = camera.t_cam_s + take.scene.serves[0].starts_s[camera.camera]
            here = (t_cam >= motion.t_s[0]) & (t_cam <= motion.t_s[-1])
            uv, by_point = take.scene.cameras[camera.camera].project_with_jacobian(
                at(t, joints[:, p], t_cam[here])
            )
            height = apparent_height_px(camera.uv_px[:, : len(BODY)])
            both = at(motion.t_s, frames, t_cam[here])
            clip = seen[camera.camera]
            off, clip_at = (camera.uv_px[here, p] - uv) / height, (here, p)
            sees = clip.visibility[clip_at], clip.spread_px[clip_at] / height
            moves = scale * by_point @ both / height
            point, left = f"{take.name} {name}", name.startswith("left_")
            posture = at(motion.t_s, shown[camera.camera][left], t_cam[here])
            residuals.append(
                Residuals(take.athlete, part, point, t_cam[here], off, moves, *sees, posture, left)
            )
    return offsets, residuals


def _postures(camera: Camera, motion: Motion, scale_m: float) -> tuple[Array, Array]:
    """(T, 51) postures of the body and of its mirror image, as a camera sees them."""
    right = postures(camera, Points(motion.keypoints, motion.xyz_m), scale_m)
    return right.reshape(len(right), -1), mirrored(right).reshape(len(right), -1)


def of_part(rows: Sequence[Row], part: str) -> Iterator[Row]:
    """Those of one body part, left and right alike."""
    return (r for r in rows if r.part == part)
