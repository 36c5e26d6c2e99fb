"""The rig's cameras after a step, and in the court."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.bundle import moved
from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.court.fit import turning
from calibration.geometry.camera import N_CAMERA, SHIFT, TURN, Camera
from calibration.geometry.rigid import Rigid


def cameras_at(rig: CalibratedRig, step: Array) -> tuple[Camera, ...]:
    """The rig's cameras after adding `step` (18 N,) to their parameters."""
    return tuple(moved(c, s) for c, s in zip(rig.cameras, step.reshape(-1, N_CAMERA), strict=True))


def in_court(
    cameras: Sequence[Camera], rig_from_court: Rigid, covariance: Array
) -> tuple[tuple[Camera, ...], Array]:
    """Cameras in the court frame and their covariance (18 N, 18 N), propagated to first order.

    cameras stand in the rig's frame; covariance (18 N + 6, 18 N + 6) is that of their parameters and of the
    court's place (turn and shift of rig_from_court).
    """
    n = N_CAMERA * len(cameras)
    spread = np.zeros((n, n + 6))
    spread[:, :n] = np.eye(n)
    placed = []
    for i, camera in enumerate(cameras):
        R, pose = camera.cam_from_world.R, camera.cam_from_world @ rig_from_court
        placed.append(camera.placed(pose))
        at = np.arange(N_CAMERA * i, N_CAMERA * (i + 1))
        turn, shift = at[TURN], at[SHIFT]
        spread[turn, n : n + 3] = R
        spread[np.ix_(shift, turn)] = turning(R @ rig_from_court.t_m)
        spread[shift, n + 3 :] = R
    out = spread @ covariance @ spread.T
    return tuple(placed), (out + out.T) / 2
