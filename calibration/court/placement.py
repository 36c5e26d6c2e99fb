"""What the court fits share: the cameras' freedom, scaled linear algebra, the rig in the court."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.bundle import moved
from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.geometry.camera import N_CAMERA, SHIFT, TURN, Camera
from calibration.geometry.rigid import Rigid


class FreeToMove(NotMeasurable):
    """What is seen of the court does not fix the rig's place in it."""


def root_of(covariance: Array) -> Array:
    """L (18 N, R) with L Lᵀ = covariance; directions without variance (the gauge) are left out."""
    d = np.sqrt(np.diag(covariance))
    live = np.flatnonzero(d > 0)
    values, vectors = np.linalg.eigh(covariance[np.ix_(live, live)] / np.outer(d[live], d[live]))
    keep = values > 1e-12 * values.max(initial=0.0)
    out = np.zeros((len(d), int(keep.sum())))
    out[live] = d[live, None] * vectors[:, keep] * np.sqrt(values[keep])
    return out


def cameras_at(rig: CalibratedRig, step: Array) -> tuple[Camera, ...]:
    """The rig's cameras after adding `step` (18 N,) to their parameters."""
    return tuple(moved(c, s) for c, s in zip(rig.cameras, step.reshape(-1, N_CAMERA), strict=True))


def turning(v: Array) -> Array:
    """(..., 3, 3) derivative of exp(r) v by r at r = 0, for v (..., 3)."""
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1], out[..., 0, 2] = v[..., 2], -v[..., 1]
    out[..., 1, 0], out[..., 1, 2] = -v[..., 2], v[..., 0]
    out[..., 2, 0], out[..., 2, 1] = v[..., 1], -v[..., 0]
    return out


def solve_scaled(normal: Array, right: Array) -> Array:
    """normal⁻¹ right for unknowns of very different size."""
    d = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * np.outer(d, d) + 1e-12 * np.eye(len(d))
    return np.asarray(d * np.linalg.solve(scaled, right * d))


def inverse_scaled(normal: Array) -> Array:
    """normal⁻¹ for unknowns of very different size. Raises FreeToMove where it is singular."""
    d = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    values, vectors = np.linalg.eigh(normal * np.outer(d, d))
    if values[0] < 1e-12 * values[-1]:
        raise FreeToMove("what is seen of the court leaves the rig free to move")
    return np.asarray((vectors / values) @ vectors.T * np.outer(d, d))


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
