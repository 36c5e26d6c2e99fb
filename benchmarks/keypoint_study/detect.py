"""Runs the body detector over the filmed cast; what each clip showed is kept beside the clips."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.keypoint_study.footage import clip_path
from calibration.checks import Array
from calibration.geometry import Camera
from demo_rigs.cast import Take
from recon.assets import pose_model
from recon.keypoints import MarkerOptions, PoseReader, follow, scene_of
from recon.keypoints.passes import MODES as DETECTOR_MODES
from recon.keypoints.passes import mode_of
from recon.keypoints.server import ServerPlace
from recon.records import BODY
from recon.session import TapeColours

MODES = tuple(DETECTOR_MODES)


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One clip's body points: t_cam_s (T,), uv_px (T, 27, 2), visibility (T, 27), spread_px (T, 27) or NaN."""

    t_cam_s: Array
    uv_px: Array
    visibility: Array
    spread_px: Array


def seen_path(work: Path, take: Take, camera: str, mode: str) -> Path:
    """Where the detections of one clip lie."""
    fps = take.scene.picture.serve_fps
    return work / "seen" / mode / f"{take.name}_{camera}_{fps}.npz"


def detect(work: Path, take: Take, camera: str, mode: str) -> Seen:
    """Detections of one clip, from the folder where they are newer than the clip."""
    path, clip = seen_path(work, take, camera, mode), clip_path(work, take, camera)
    if not path.is_file() or path.stat().st_mtime < clip.stat().st_mtime:
        path.parent.mkdir(parents=True, exist_ok=True)
        seen = _read(clip, take.scene.cameras[camera], mode)
        np.savez_compressed(
            path, t=seen.t_cam_s, uv=seen.uv_px, visibility=seen.visibility, spread=seen.spread_px
        )
    with np.load(path) as data:
        return Seen(data["t"], data["uv"], data["visibility"], data["spread"])


def _read(clip: Path, camera: Camera, mode: str) -> Seen:
    """The program's own detector, as `measure` runs it; racket and ball are not kept."""
    tape = TapeColours()
    markers = MarkerOptions(hues_deg=tape.hues_deg, tolerance_deg=tape.tolerance_deg)
    place = ServerPlace(camera)
    with PoseReader(pose_model("heavy")) as reader:
        found = follow(clip, reader, scene_of(clip), markers, mode_of(mode), place)
    return Seen(found.t_cam_s, found.uv_px[:, : len(BODY)], found.visibility, found.spread_px)
