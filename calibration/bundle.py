"""Joint least squares over cameras and board poses: the solver behind the lens and the rig calibration.

Levenberg-Marquardt with analytic derivatives; the board poses are eliminated block by block (Schur
complement). Source of the method: Triggs B et al. (1999), Bundle adjustment - a modern synthesis, sections 4-6
and 9 (gauge).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.geometry.camera import N_CAMERA, N_LENS, PARAMETERS, POSE, Camera
from calibration.geometry.rigid import Rigid

_MAX_STEPS = 60
_MAX_ROUNDS = 10
_CAUCHY_SIGMAS = 3.0  # 95 % efficient at 2.385 for one coordinate; a little wider keeps clean data nearly whole
_GATE_SIGMAS = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class BoardSeen:
    """One board pose seen by one camera: indices into the problem's cameras and boards, corners (N, 2) px."""

    camera: int
    board: int
    uv_px: Array


@dataclass(frozen=True, slots=True, eq=False)
class LensPrior:
    """What is known beforehand of a lens: mean (12,), information (12, 12) = 1/covariance."""

    mean: Array
    information: Array


@dataclass(frozen=True, slots=True, eq=False)
class BundleProblem:
    """Everything that does not change while solving.

    points_m     (N, 3) corners in the board frame
    seen         all observations
    priors       one per camera
    held_poses   cameras whose pose is held: they fix the gauge
    """

    points_m: Array
    seen: tuple[BoardSeen, ...]
    priors: tuple[LensPrior, ...]
    held_poses: frozenset[int]


@dataclass(frozen=True, slots=True, eq=False)
class BundleSolution:
    """cameras, world_from_board  the estimate
    covariance     (18 n, 18 n), order PARAMETERS per camera; zero rows for held poses
    sigma_px       standard deviation of one image coordinate, estimated from the residuals
    residuals_px   per observation (N, 2), measured minus predicted
    """

    cameras: tuple[Camera, ...]
    world_from_board: tuple[Rigid, ...]
    covariance: Array
    sigma_px: float
    residuals_px: tuple[Array, ...]


def nudged(pose: Rigid, step: Array) -> Rigid:
    """exp(step[:3]) applied on the left of the rotation; step[3:] added to t_m. The rotation stays exact."""
    R = Rotation.from_rotvec(step[:3]) * Rotation.from_matrix(pose.R)
    return Rigid(R.as_matrix(), pose.t_m + step[3:], pose.dst, pose.src)


def moved(camera: Camera, step: Array) -> Camera:
    """The camera after adding `step` (18,) to its PARAMETERS."""
    return camera.with_lens(camera.lens_vector() + step[:N_LENS], nudged(camera.cam_from_world, step[N_LENS:]))


def solve_bundle(
    problem: BundleProblem, cameras: Sequence[Camera], world_from_board: Sequence[Rigid]
) -> BundleSolution:
    """The most likely cameras and board poses, from a start near them.

    Robust (Cauchy) while solving; the pixel noise is estimated from the residuals so that the lens priors,
    which have an absolute size, get their right weight. The covariance counts corners within 5 sigma fully and
    others not at all. Raises NotMeasurable where the observations do not fix the answer.
    """
    state = (tuple(cameras), tuple(world_from_board))
    sigma_px = max(_robust_sigma(problem, state), 0.05)  # a rough start keeps its say until it has improved
    for _ in range(_MAX_ROUNDS):
        state = _descend(problem, state, sigma_px)
        before, sigma_px = sigma_px, _robust_sigma(problem, state)
        if abs(sigma_px / before - 1) < 0.01:
            break
    covariance = _covariance(problem, state, sigma_px)
    residuals = tuple(_residual(problem, state, s) for s in problem.seen)
    return BundleSolution(state[0], state[1], covariance, sigma_px, residuals)


_State = tuple[tuple[Camera, ...], tuple[Rigid, ...]]


def _residual(problem: BundleProblem, state: _State, seen: BoardSeen) -> Array:
    cameras, boards = state
    return seen.uv_px - cameras[seen.camera].project(boards[seen.board].apply(problem.points_m))


def _robust_sigma(problem: BundleProblem, state: _State) -> float:
    """Pixel noise from the weighted residuals and the degrees of freedom left."""
    all_px = np.concatenate([_residual(problem, state, s).ravel() for s in problem.seen])
    sigma = max(1.4826 * float(np.median(np.abs(all_px))), 1e-6)
    unknowns = 6 * len(state[1]) + N_CAMERA * len(state[0]) - 6 * len(problem.held_poses)
    for _ in range(5):
        kept = all_px[np.abs(all_px) < 4 * sigma]
        sigma = max(float(np.sqrt((kept**2).sum() / max(kept.size - unknowns, 1))), 1e-6)
    return sigma


def _cost(problem: BundleProblem, state: _State, sigma_px: float) -> float:
    total = 0.0
    for seen in problem.seen:
        z2 = (_residual(problem, state, seen) ** 2).sum(axis=1) / sigma_px**2
        if not np.isfinite(z2).all():
            return np.inf
        total += float(_CAUCHY_SIGMAS**2 * np.log1p(z2 / _CAUCHY_SIGMAS**2).sum())
    for camera, prior in zip(state[0], problem.priors, strict=True):
        off = camera.lens_vector() - prior.mean
        total += float(off @ prior.information @ off)
    return total


@dataclass(slots=True, eq=False)
class _Normal:
    """Normal equations: camera block, board blocks and what couples them."""

    cc: Array  # (C, C)
    cb: Array  # (B, C, 6)
    bb: Array  # (B, 6, 6)
    gc: Array  # (C,)
    gb: Array  # (B, 6)


def _normal(problem: BundleProblem, state: _State, sigma_px: float, *, robust: bool) -> _Normal:
    cameras, boards = state
    size, n_boards = N_CAMERA * len(cameras), len(boards)
    out = _Normal(
        np.zeros((size, size)), np.zeros((n_boards, size, 6)), np.zeros((n_boards, 6, 6)),
        np.zeros(size), np.zeros((n_boards, 6)),
    )  # fmt: skip
    for seen in problem.seen:
        camera, pose = cameras[seen.camera], boards[seen.board]
        turned = pose.rotate(problem.points_m)
        uv, by_point, by_camera = camera.project_all(turned + pose.t_m)
        by_board = np.concatenate([-by_point @ _cross(turned), by_point], axis=-1)
        residual = seen.uv_px - uv
        weight = np.full(len(uv), 1 / sigma_px**2)
        z2 = (residual**2).sum(axis=1) * weight
        weight = weight / (1 + z2 / _CAUCHY_SIGMAS**2) if robust else weight * (z2 < _GATE_SIGMAS**2)
        root = np.sqrt(np.repeat(weight, 2))
        jc, jb = by_camera.reshape(-1, N_CAMERA) * root[:, None], by_board.reshape(-1, 6) * root[:, None]
        r = residual.ravel() * root
        s = slice(N_CAMERA * seen.camera, N_CAMERA * (seen.camera + 1))
        out.cc[s, s] += jc.T @ jc
        out.cb[seen.board, s] += jc.T @ jb
        out.bb[seen.board] += jb.T @ jb
        out.gc[s] += jc.T @ r
        out.gb[seen.board] += jb.T @ r
    for i, (camera, prior) in enumerate(zip(cameras, problem.priors, strict=True)):
        s = slice(N_CAMERA * i, N_CAMERA * i + N_LENS)
        out.cc[s, s] += prior.information
        out.gc[s] -= prior.information @ (camera.lens_vector() - prior.mean)
    return out


def _cross(v: Array) -> Array:
    m = np.zeros((*v.shape, 3))
    m[..., 0, 1], m[..., 0, 2], m[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    return m - np.swapaxes(m, -1, -2)


def _free(problem: BundleProblem, cameras: Sequence[Camera]) -> NDArray[np.intp]:
    """Indices of the camera parameters that are solved for."""
    free = np.array([camera.used_parameters() for camera in cameras])
    for held in problem.held_poses:
        free[held, POSE] = False
    return np.flatnonzero(free)


def _reduced(normal: _Normal, free: NDArray[np.intp], damping: float) -> tuple[Array, Array, Array]:
    """Camera system after eliminating the boards: matrix, right side, and bb⁻¹ (B, 6, 6)."""
    bb = normal.bb * (1 + damping * np.eye(6))
    bb_inv = np.linalg.inv(bb)
    cb = normal.cb[:, free]
    cc = normal.cc[np.ix_(free, free)]
    matrix = cc + damping * np.diag(np.diag(cc)) - np.einsum("bci,bij,bdj->cd", cb, bb_inv, cb, optimize=True)
    right = normal.gc[free] - np.einsum("bci,bij,bj->c", cb, bb_inv, normal.gb, optimize=True)
    return matrix, right, np.asarray(bb_inv, dtype=float)


def _descend(problem: BundleProblem, state: _State, sigma_px: float) -> _State:
    free = _free(problem, state[0])
    damping, cost = 1e-4, _cost(problem, state, sigma_px)
    for _ in range(_MAX_STEPS):
        normal = _normal(problem, state, sigma_px, robust=True)
        better = False
        while damping < 1e8:
            matrix, right, bb_inv = _reduced(normal, free, damping)
            step = np.zeros(N_CAMERA * len(state[0]))
            step[free] = _scaled_solve(matrix, right)
            boards = np.einsum("bij,bj->bi", bb_inv, normal.gb - np.einsum("bci,c->bi", normal.cb, step))
            trial = _stepped(state, step, boards)
            trial_cost = np.inf if trial is None else _cost(problem, trial, sigma_px)
            if trial is not None and trial_cost <= cost:
                better = True
                break
            damping *= 8
        if not better or trial is None:
            break
        gain = cost - trial_cost
        state, cost, damping = trial, trial_cost, max(damping / 8, 1e-12)
        if gain < 1e-9 * (cost + 1):
            break
    return state


def _scaled_solve(matrix: Array, right: Array) -> Array:
    """Solves a symmetric system whose unknowns have very different units."""
    d = 1 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    return np.asarray(d * np.linalg.lstsq(matrix * d * d[:, None], right * d, rcond=1e-14)[0])


def _stepped(state: _State, cameras: Array, boards: Array) -> _State | None:
    """The state after a step, or None where a focal length would not stay positive."""
    steps = cameras.reshape(-1, N_CAMERA)
    if any((c.lens_vector() + s[:N_LENS])[:2].min() <= 0 for c, s in zip(state[0], steps, strict=True)):
        return None
    return (
        tuple(moved(c, s) for c, s in zip(state[0], steps, strict=True)),
        tuple(nudged(b, s) for b, s in zip(state[1], boards, strict=True)),
    )


def _covariance(problem: BundleProblem, state: _State, sigma_px: float) -> Array:
    free = _free(problem, state[0])
    normal = _normal(problem, state, sigma_px, robust=False)
    matrix, _, _ = _reduced(normal, free, 0.0)
    d = 1 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix * d * d[:, None]
    values, vectors = np.linalg.eigh(scaled)
    if values[0] < 1e-13 * values[-1]:
        weak = int(np.abs(vectors[:, 0]).argmax())
        camera, parameter = divmod(int(free[weak]), N_CAMERA)
        raise NotMeasurable(
            f"camera {state[0][camera].name}: the board views do not fix {PARAMETERS[parameter]}; "
            "record more views, tilted differently"
        )
    inverse = (vectors / values) @ vectors.T * d * d[:, None]
    out = np.zeros((N_CAMERA * len(state[0]),) * 2)
    out[np.ix_(free, free)] = (inverse + inverse.T) / 2
    return out
