"""A moved camera registered anew, without a board: the rest of the rig stays as it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from calibration.calibrated_rig import CalibratedRig, CourtCheck
from calibration.checks import Array
from calibration.court.model import SERVE_VOLUME
from calibration.court.uncertainty import worst_u_over_volume
from calibration.drift.check import CameraCheck
from calibration.drift.motion import MotionFit
from calibration.errors import BadInput
from calibration.geometry.camera import N_CAMERA, POSE, Camera
from calibration.geometry.rigid import Rigid
from calibration.history import MENDED
from calibration.provenance import Provenance


def mended_rig(
    rig: CalibratedRig, checks: Sequence[CameraCheck], made_from: Mapping[str, str]
) -> CalibratedRig:
    """The rig with each of these cameras at its new pose.

    The new pose is the registered one, moved by what was found. Its error is the registered pose's error
    carried along, plus the motion's own; so the covariance with the other cameras, which all hang on the same
    court, is carried along too, and theirs is untouched. Lens and frame stay.
    made_from: name → SHA-256 of what the motion was found from. Raises BadInput for a check without a motion.
    """
    cameras, covariance, flags = list(rig.cameras), rig.covariance, list(rig.flags)
    for check in checks:
        if check.fit is None:
            raise BadInput(f"camera {check.camera}: its motion is not known: {check.reason}")
        i = rig.names.index(check.camera)
        covariance = _carried(covariance, i, cameras[i], check.fit)
        cameras[i] = moved_camera(cameras[i], check.fit.motion)
        flags.append(
            f"{check.camera} was registered anew without a board, {check.turn_deg:.2f} degrees and "
            f"{check.shift_mm:.0f} mm from where it stood"
        )
    names = {c.camera for c in checks}
    old = rig.provenance
    inputs = {**old.inputs, **{f"{MENDED} {name}": sha256 for name, sha256 in made_from.items()}}
    return replace(
        rig, cameras=tuple(cameras), covariance=(covariance + covariance.T) / 2, flags=tuple(flags),
        court=_court_check(rig.court, names, cameras, covariance),
        provenance=Provenance(old.program_version, old.options, inputs),
    )  # fmt: skip


def moved_camera(camera: Camera, motion: Rigid) -> Camera:
    """The camera after a motion (from "still")."""
    pose = camera.cam_from_world
    return camera.placed(Rigid(motion.R @ pose.R, motion.R @ pose.t_m + motion.t_m, pose.dst, pose.src))


def _carried(covariance: Array, i: int, camera: Camera, fit: MotionFit) -> Array:
    """(18 N, 18 N) after camera i has moved.

    With R' = exp(r) R and t' = exp(r) t + s, an old error (e_r, e_t) becomes exp(r) of each; an error of the
    motion (d_r, d_s) adds d_r to the turn and d_r × exp(r) t + d_s to t'. The motion's own error depends on the
    registered camera's through fit.by_camera.
    """
    size = len(covariance)
    block = slice(N_CAMERA * i, N_CAMERA * (i + 1))
    pose = np.arange(N_CAMERA * i, N_CAMERA * (i + 1))[POSE]
    by_motion = np.eye(6)
    by_motion[3:, :3] = np.cross(np.eye(3), fit.motion.R @ camera.cam_from_world.t_m).T
    turned = np.kron(np.eye(2), fit.motion.R)
    carry = np.eye(size)
    carry[np.ix_(pose, pose)] = turned
    carry[pose, block] += by_motion @ fit.by_camera
    out = carry @ covariance @ carry.T
    out[np.ix_(pose, pose)] += by_motion @ fit.noise @ by_motion.T
    return np.asarray(out)


def _court_check(
    court: CourtCheck | None, names: set[str], cameras: Sequence[Camera], covariance: Array
) -> CourtCheck | None:
    """Without the moved cameras' clicks, which belong to another pose."""
    if court is None:
        return None
    clicks = tuple(c for c in court.clicks if c.camera not in names)
    used = [c.residual_px for c in clicks if c.used]
    worst = worst_u_over_volume(cameras, covariance, SERVE_VOLUME) if len(cameras) > 1 else None
    rms = float(np.sqrt(np.mean(np.square(used)))) if used else court.rms_px
    return CourtCheck(clicks, rms, worst, court.free_scale, court.free_scale_u)
