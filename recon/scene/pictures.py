"""The reconstructed body back in a camera's picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration import Array
from recon.result import Result
from recon.scene.body import GROUPS, bones_by_group, measured_at, positions_at, strokes
from recon.store import FramePictures


@dataclass(frozen=True, slots=True, eq=False)
class PictureStrokes:
    """Strokes of one group in one picture: ends_px (N, 2, 2) in video pixels, pixel centres at integers."""

    group: str
    ends_px: Array
    colour: str
    width_px: float


def skeleton_in_picture(result: Result, camera: str, t_cam_s: float) -> tuple[PictureStrokes, ...]:
    """Bones and racket as this camera sees them in its frame of camera time t_cam_s.

    The pose is that of the frame's rig time, so a frame gets the pose of its own instant and
    not that of another camera's exposure. Bones not wholly in front of the camera are left out.
    Raises BadInput for an unknown camera.
    """
    cam = result.rig.camera(camera)
    t_s = float(result.clocks.of(camera).rig_time(t_cam_s))
    uv, measured = cam.project(positions_at(result.motion, t_s)), measured_at(result.motion, t_s)
    out = []
    for group, pairs in bones_by_group(result.motion.keypoints, result.session.file.handedness).items():
        seen = measured if group == "racket" else np.ones(len(uv), dtype=bool)
        _, colour, width = GROUPS[group]
        out.append(PictureStrokes(group, strokes(uv, seen, pairs), colour, width))
    return tuple(out)


def picture_index(result: Result, pictures: FramePictures, t_s: float) -> int:
    """Which kept picture of a camera is nearest to a rig time."""
    t_cam = float(result.clocks.of(pictures.camera).camera_time(t_s))
    return int(np.abs(pictures.t_cam_s - t_cam).argmin())
