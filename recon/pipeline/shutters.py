"""How each camera of a session reads its sensor: as session.toml says, else anything up to a frame's time."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from calibration.footage import first_side
from recon.records import Shutter, Tracks2D
from recon.session import Session
from recon.sync import shutter_not_told

_TOLD_SHARE = 0.05
"""Standard uncertainty of a readout that is told without one, as a share of it: this project's assumption."""


def shutters_of(session: Session, tracks: Tracks2D) -> dict[str, Shutter]:
    """One per camera of `tracks`.

    The side exposed first is the one told, else it comes from the video's rotation tag; "top" without a video.
    Raises BadInput where a readout is told that is longer than a frame, or of a camera which is not there.
    """
    known = {seen.camera for seen in tracks.cameras} | set(session.file.video)
    strange = sorted(set(session.file.shutter) - known)
    if strange:
        raise BadInput(
            f"{session.folder / 'session.toml'}: [shutter]: no camera {strange[0]!r}; there are {sorted(known)}"
        )
    return {seen.camera: _one(session, seen.camera, _frame_s(seen.t_cam_s)) for seen in tracks.cameras}


def _frame_s(t_cam_s: Array) -> float:
    return float(np.median(np.diff(t_cam_s))) if len(t_cam_s) > 1 else np.inf


def _one(session: Session, camera: str, frame_s: float) -> Shutter:
    told = session.file.shutter.get(camera)
    side: str | None = told.first_side if told is not None else None
    if side is None:
        side = first_side(session.video_path(camera)) if camera in session.file.video else "top"
    if told is None or told.readout_ms is None:
        return shutter_not_told(frame_s, side)
    readout_s = told.readout_ms / 1e3
    u_s = _TOLD_SHARE * readout_s if told.u_ms is None else told.u_ms / 1e3
    if readout_s - 2 * u_s > frame_s:
        raise BadInput(
            f"{session.folder / 'session.toml'}: [shutter] {camera}: want a readout within a frame, which "
            f"takes {1e3 * frame_s:.1f} ms, got {told.readout_ms:g} ms"
        )
    return Shutter(readout_s, u_s, side)
