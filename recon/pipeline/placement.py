"""Whether the cameras of a session still stand where the rig says, from the first second of its videos."""

from __future__ import annotations

from collections.abc import Sequence

from calibration.drift import CameraCheck, RigCheck, check_rig, reference_pictures, still_picture
from calibration.errors import BadInput
from calibration.history import calibration_of
from recon.pipeline.footage import as_stamped
from recon.pipeline.options import Progress, silent
from recon.session import Session


def check_session(
    session: Session, cameras: Sequence[str] | None = None, progress: Progress = silent
) -> RigCheck:
    """Compares each camera's first second with the reference picture kept at calibration.

    cameras: the session's, if not given; those without a video are passed over. Raises BadInput where a video
    cannot be read.
    """
    names = session.camera_names if cameras is None else cameras
    filmed = [name for name in names if name in session.file.video]
    pictures = {name: still_picture(as_stamped(session, name)) for name in filmed}
    return check_rig(session.rig_path, pictures, progress=progress)


def moved_camera_flags(session: Session, cameras: Sequence[str], progress: Progress = silent) -> list[str]:
    """One sentence per camera that has moved; nothing where no reference picture was kept."""
    if session.rig_path.suffix == ".toml":
        return []
    known = reference_pictures(calibration_of(session.rig_path))
    try:
        found = check_session(session, [name for name in cameras if name in known], progress)
    except BadInput:  # own keypoints may come with videos that are cut or scaled; they are not what is measured
        if session.file.keypoints is None:
            raise
        return []
    return [_told(check) for check in found.moved]


def _told(check: CameraCheck) -> str:
    return (
        f"camera {check.camera} has moved since the rig was calibrated: turned {check.turn_deg:.2f} degrees, "
        f"shifted {check.shift_mm:.0f} mm; `courtplumb check-rig RIG --session SESSION --mend` places it anew, "
        "then measure again"
    )
