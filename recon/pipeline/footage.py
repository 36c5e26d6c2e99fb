"""The first question to a session: does its footage fit the rig's calibration?"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from calibration.calibrated_rig import CalibratedRig
from calibration.errors import BadInput
from calibration.footage import Video
from calibration.footage_check import FootageFinding, check_footage, kept_pictures
from calibration.own import load_any_rig
from calibration.provenance import content_hash
from calibration.recorded_rate import AsStamped, TimedVideo, timed_video
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
    return _timed(path, head.st_size, head.st_mtime_ns, rate, f"[video_rate] {camera}")


@lru_cache(maxsize=16)  # a session's videos are asked for by every stage and every serve
def _timed(path: Path, _size: int, _changed_ns: int, rate: float | AsStamped | None, key: str) -> TimedVideo:
    return timed_video(path, rate, key)


def digest_of(path: Path) -> str:
    """SHA-256 of a file's content, read once while the file stays as it is. Raises BadInput for none."""
    if not path.is_file():
        raise BadInput(f"{path}: no such file")
    head = path.stat()
    return _digest(path, head.st_size, head.st_mtime_ns)


@lru_cache(maxsize=64)
def _digest(path: Path, _size: int, _changed_ns: int) -> str:
    return content_hash(path)


def video_of(session: Session, camera: str) -> Video:
    """The same, without what is worth telling about it."""
    return timed(session, camera).video


def examine(session: Session, rig: CalibratedRig, look_s: float | None = None) -> tuple[FootageFinding, ...]:
    """Findings for the cameras that the session has videos of; none where its 2D points are its own.

    Raises BadInput where a video cannot be read.
    """
    if session.file.keypoints is not None:
        return ()
    footage = {name: session.video_path(name) for name in rig.names}
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
