"""What a calibration is worth: 3D errors where the player will be, observed and predicted by its covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.world import World
from calibration.checks import Array
from calibration.geometry import Camera, Rigid, fit_similarity
from calibration.geometry.camera import N_CAMERA

PLAYER_GRID_M = np.stack(
    np.meshgrid(np.linspace(-0.7, 1.5, 5), np.linspace(-1.0, 1.2, 5), np.linspace(0.05, 3.1, 6)), axis=-1
).reshape(-1, 3)
"""(150, 3) points of the player's volume in the court frame, from the shoes to the top of the reach."""

_SOLVER_STEPS = 4  # from the rays' nearest point, two suffice


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """What a solver says.

    cameras     in the frame of the first one
    covariance  (18 n, 18 n) of PARAMETERS per camera; None where the solver gives none
    seconds     processor time of the solve alone: on one thread the wall time of an idle machine
    bow_m       (2,) bow heights, where modelled
    """

    cameras: tuple[Camera, ...]
    covariance: Array | None
    seconds: float
    bow_m: Array | None = None


def in_first(cameras: Sequence[Camera]) -> tuple[Camera, ...]:
    """The cameras in the frame "rig" of the first one."""
    world_from_rig = cameras[0].cam_from_world.inverse() @ Rigid.identity(cameras[0].cam_from_world.dst, "rig")
    return tuple(c.placed(c.cam_from_world @ world_from_rig) for c in cameras)


def rigid_error_m(world: World, estimate: Sequence[Camera]) -> float:
    """RMS distance of the player grid, seen exactly by the true cameras and located by the estimated ones, from
    where it is, after the best rigid motion (no change of scale)."""
    x = PLAYER_GRID_M
    y = located(estimate, [camera.project(x) for camera in world.cameras])
    return float(np.sqrt(fit_similarity(y, x, with_scale=False).mean_squared_residual))


def located(cameras: Sequence[Camera], uv_px: Sequence[Array]) -> Array:
    """(N, 3) points that fit their pixels (N, 2) in every camera best, by least squares."""
    x = _nearest_to_rays(cameras, uv_px)
    for _ in range(_SOLVER_STEPS):
        normal, right = np.zeros((len(x), 3, 3)), np.zeros((len(x), 3))
        for camera, uv in zip(cameras, uv_px, strict=True):
            predicted, by_point = camera.project_with_jacobian(x)
            normal += np.swapaxes(by_point, -1, -2) @ by_point
            right += np.einsum("nij,ni->nj", by_point, uv - predicted)
        x = x + np.linalg.solve(normal, right[..., None])[..., 0]
    return x


def _nearest_to_rays(cameras: Sequence[Camera], uv_px: Sequence[Array]) -> Array:
    normal, right = np.zeros((len(uv_px[0]), 3, 3)), np.zeros((len(uv_px[0]), 3))
    for camera, uv in zip(cameras, uv_px, strict=True):
        d = camera.rays(uv)
        across = np.eye(3) - d[:, :, None] * d[:, None, :]
        normal += across
        right += across @ camera.centre_m()
    return np.asarray(np.linalg.solve(normal, right[..., None])[..., 0])


def predicted_rigid_error_m(estimate: Sequence[Camera], covariance: Array, grid_in_rig_m: Array) -> float:
    """Root of the expected square of `rigid_error_m`, as the covariance has it.

    First order: the located point moves by −(Σ AᵀA)⁻¹ Σ AᵀB dp, A and B the derivatives of the pixels by point
    and by parameters; of all points' motions the common rigid part is taken away.
    """
    n = len(grid_in_rig_m)
    moves = located_by_parameters(estimate, grid_in_rig_m).reshape(3 * n, -1)
    centred = grid_in_rig_m - grid_in_rig_m.mean(axis=0)
    rigid = np.zeros((n, 3, 6))
    rigid[:, :, :3] = np.eye(3)
    for k, axis in enumerate(np.eye(3)):
        rigid[:, :, 3 + k] = np.cross(axis, centred)
    q, _ = np.linalg.qr(rigid.reshape(3 * n, 6))
    moves = moves - q @ (q.T @ moves)
    return float(np.sqrt(np.einsum("ij,jk,ik->", moves, covariance, moves, optimize=True) / n))


def located_by_parameters(cameras: Sequence[Camera], x_m: Array) -> Array:
    """(N, 3, 18 n) derivative of `located` by all cameras' PARAMETERS at exact pixels."""
    normal = np.zeros((len(x_m), 3, 3))
    by_all = np.zeros((len(x_m), 3, N_CAMERA * len(cameras)))
    for c, camera in enumerate(cameras):
        _, by_point, by_parameter = camera.project_all(x_m)
        normal += np.swapaxes(by_point, -1, -2) @ by_point
        by_all[..., N_CAMERA * c : N_CAMERA * (c + 1)] = np.swapaxes(by_point, -1, -2) @ by_parameter
    return np.asarray(-np.linalg.solve(normal, by_all))


def parameter_errors(estimate: Sequence[Camera], truth: Sequence[Camera]) -> Array:
    """(18 n,) estimate minus truth, both in the frame of the first camera."""
    out = []
    for a, b in zip(estimate, in_first(truth), strict=True):
        turn = Rigid(a.cam_from_world.R @ b.cam_from_world.R.T, np.zeros(3), "a", "b").rotvec_rad()
        shift = a.cam_from_world.t_m - b.cam_from_world.t_m
        out.append(np.concatenate([a.lens_vector() - b.lens_vector(), turn, shift]))
    return np.concatenate(out)


def player_grid_in_rig_m(world: World) -> Array:
    """The player grid in the frame of the first true camera."""
    return np.asarray(world.cameras[0].cam_from_world.apply(PLAYER_GRID_M))


def court_error_m(world: World, estimate: Sequence[Camera], rig_from_court: Rigid) -> float:
    """RMS distance of the player grid, located by the estimated cameras, from where it is in the court."""
    y = located(estimate, [camera.project(PLAYER_GRID_M) for camera in world.cameras])
    return float(np.sqrt(((rig_from_court.inverse().apply(y) - PLAYER_GRID_M) ** 2).sum(axis=1).mean()))
