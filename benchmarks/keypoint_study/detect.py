"""Runs the body detector over the filmed cast; what each clip showed is kept beside the clips."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.keypoint_study.footage import clip_path
from calibration.checks import Array
from calibration.footage import frames
from demo_rigs.cast import Take
from recon.assets import pose_model
from recon.keypoints.follow import _NOBODY, _PERSON_SHARE, _search
from recon.keypoints.passes import MODES as DETECTOR_MODES
from recon.keypoints.passes import Mode, look_at, mode_of
from recon.keypoints.pose import PoseReader, Window

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
        seen = _read(clip, mode_of(mode))
        np.savez_compressed(
            path, t=seen.t_cam_s, uv=seen.uv_px, visibility=seen.visibility, spread=seen.spread_px
        )
    with np.load(path) as data:
        return Seen(data["t"], data["uv"], data["visibility"], data["spread"])


def _read(clip: Path, mode: Mode) -> Seen:
    """The program's own detector on a window that follows the player, without racket and ball."""
    times, found = [], []
    window: Window | None = None
    with PoseReader(pose_model("heavy")) as reader:
        for frame in frames(clip):
            seen = look_at(reader, frame.image_bgr, window, mode) if window is not None else None
            seen = seen or _search(reader, frame.image_bgr, mode)
            window = None if seen is None else Window(0, 0, 0).around(seen.uv_px, _PERSON_SHARE)
            times.append(frame.t_s)
            found.append(seen or _NOBODY)
    uv, visible, spread = (
        np.stack([getattr(s, field) for s in found]) for field in ("uv_px", "visibility", "spread_px")
    )
    return Seen(np.array(times), uv, visible, spread)
