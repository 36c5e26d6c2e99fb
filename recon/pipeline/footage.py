"""The first question to a session: does its footage fit the rig's calibration?"""

from __future__ import annotations

from calibration.calibrated_rig import CalibratedRig
from calibration.errors import BadInput
from calibration.footage_check import FootageFinding, check_footage, kept_pictures
from calibration.own import load_any_rig
from recon.session import Session


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
