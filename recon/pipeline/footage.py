"""The first questions to a session: does its footage fit the rig's calibration, and when was it taken?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.errors import BadInput
from calibration.footage import Video
from calibration.footage_check import FootageFinding, check_footage, kept_pictures
from calibration.own import load_any_rig
from calibration.recorded_rate import AsStamped, TimedVideo, timed_video
from recon.records import Tracks2D
from recon.session import Session


def timed(session: Session, camera: str) -> TimedVideo:
    """One camera's video with the times at which its pictures were taken.

    Raises BadInput where the file cannot be read or its times cannot be told.
    """
    path = session.video_path(camera)
    if not path.is_file():
        raise BadInput(f"{path}: no such file")
    head = path.stat()
    rate = session.file.video_rate.get(camera)
    found = _timed(path, head.st_size, head.st_mtime_ns, rate, f"[video_rate] {camera}")
    return replace(found, video=replace(found.video, span_s=session.window_s(camera)))


def as_stamped(session: Session, camera: str) -> Video:
    """One camera's video, or the stretch of it that is meant, at the times that its file stamps.

    What is in its pictures is kept at these: it does not change when somebody says that they were slow motion.
    Raises BadInput as `timed` does where only a stretch is meant.
    """
    path, window = session.video_path(camera), session.window_s(camera)
    if window is None:
        return Video(path)
    start, stop = timed(session, camera).video.times.stamped(np.array(window)).tolist()
    return Video(path, span_s=(start, stop))


@lru_cache(maxsize=16)  # length, tracks and pictures ask for the same few videos
def _timed(path: Path, _size: int, _changed_ns: int, rate: float | AsStamped | None, key: str) -> TimedVideo:
    return timed_video(path, rate, key)


def with_true_times(session: Session, tracks: Tracks2D) -> Tracks2D:
    """Tracks found in videos at stamped times, with the times at which the pictures were taken.

    What is in the pictures does not depend on when they were taken: a rate said later makes nobody look at them
    anew. Raises BadInput as `timed` does.
    """
    true = tuple(
        replace(seen, t_cam_s=timed(session, seen.camera).video.times.true(seen.t_cam_s))
        for seen in tracks.cameras
    )
    return replace(tracks, cameras=true)


def told_times(session: Session, cameras: Sequence[str]) -> list[str]:
    """What is worth telling about how the times of these videos were found."""
    if session.file.keypoints is not None:
        return []
    return [note for camera in cameras for note in timed(session, camera).notes]


def examine(session: Session, rig: CalibratedRig, look_s: float | None = None) -> tuple[FootageFinding, ...]:
    """Findings for the cameras that the session has videos of; none where its 2D points are its own.

    Raises BadInput where a video cannot be read.
    """
    if session.file.keypoints is not None:
        return ()
    footage = {name: as_stamped(session, name) for name in rig.names}
    return check_footage(rig, kept_pictures(session.rig_path), footage, look_s)


def want_fitting(session: Session, rig: CalibratedRig) -> tuple[FootageFinding, ...]:
    """The same, raising BadInput with the first finding that rules out measuring."""
    findings = examine(session, rig)
    refused = [f for f in findings if f.grade == "refused"]
    if refused:
        others = (
            f" (and {len(refused) - 1} more cameras: `courtplumb check-footage`)" if len(refused) > 1 else ""
        )
        raise BadInput(
            f"{session.folder}: the footage does not fit the calibration: {refused[0].sentence}{others}"
        )
    return findings


def examine_with_rig_file(session: Session, look_s: float) -> tuple[FootageFinding, ...]:
    """Findings for a session whose rig has not been read yet."""
    rig = load_any_rig(session.rig_path)
    return examine(session, rig.subset(session.camera_names or rig.names), look_s)
