"""All cameras in one frame: one joint least-squares fit over cameras, lenses and board poses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.board import Board
from calibration.bundle import (
    BoardSeen,
    BundleProblem,
    BundleSolution,
    LensPrior,
    solve_bundle,
)
from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry.camera import N_CAMERA, N_LENS, SHIFT, Camera
from calibration.geometry.rigid import Rigid
from calibration.holds import cam_from_board
from calibration.lens import LensCalibration
from calibration.provenance import Provenance
from calibration.shared import Placement, SharedView

_BAD_VIEW_RATIO = 4.0  # a board view's rms against the median view's
_HELD_OUT_EVERY = 4


@dataclass(frozen=True, slots=True, eq=False)
class _Start:
    cameras: tuple[Camera, ...]
    rig_from_board: tuple[Rigid, ...]


def calibrate_rig(
    name: str,
    lenses: Sequence[LensCalibration],
    views: Sequence[SharedView],
    placements: Sequence[Placement],
    board: Board,
    provenance: Provenance,
) -> CalibratedRig:
    """The rig in the frame of its first camera.

    Start: pairwise placements chained along the strongest tree. Then one robust least-squares fit of all poses
    and lenses; each lens calibration enters as a prior with its covariance, so lens and rig footage count
    together.
    Raises BadInput naming the cameras that no shared board poses join.
    """
    start = _start(lenses, views, placements, board)
    seen = _observations(lenses, views)
    solution = _solve(lenses, seen, start, board)
    seen, dropped = _without_outliers(seen, solution)
    if dropped:
        solution = _solve(lenses, seen, _Start(solution.cameras, solution.world_from_board), board)
    _want_joined([lens.camera for lens in lenses], seen)
    held_out = _held_out(lenses, seen, solution, board)
    covariance = _with_scale(solution.covariance, solution.cameras, board)
    rms = tuple(_rms([r for r, s in zip(solution.residuals_px, seen, strict=True) if s.camera == i])
                for i in range(len(lenses)))  # fmt: skip
    flags = [f"{lens.camera}: {flag}" for lens in lenses for flag in lens.flags]
    if dropped:
        flags.append(f"{dropped} board views did not fit the others and were left out")
    if max(rms) > 1.0:
        flags.append(f"board corners fit the rig to {max(rms):.2f} px only; up to 1 px is usual")
    if held_out is not None and held_out > 8 * max(max(rms), 0.1):
        flags.append(f"board poses left out of the fit are predicted to {held_out:.2f} px only")
    n_views = len({s.board for s in seen})
    return CalibratedRig(
        name, "rig", solution.cameras, covariance, provenance, rms, held_out, n_views, tuple(flags)
    )  # fmt: skip


def _observations(lenses: Sequence[LensCalibration], views: Sequence[SharedView]) -> list[BoardSeen]:
    at = {lens.camera: i for i, lens in enumerate(lenses)}
    return [BoardSeen(at[c], b, px) for b, view in enumerate(views) for c, px in view.corners_px.items()]


def _start(
    lenses: Sequence[LensCalibration],
    views: Sequence[SharedView],
    placements: Sequence[Placement],
    board: Board,
) -> _Start:
    names = [lens.camera for lens in lenses]
    cam_from_rig = {names[0]: Rigid.identity(f"cam_{names[0]}", "rig")}
    edges = sorted(placements, key=lambda p: -p.votes)
    while len(cam_from_rig) < len(names):
        edge = next((e for e in edges if (e.a in cam_from_rig) != (e.b in cam_from_rig)), None)
        if edge is None:
            _raise_apart(list(cam_from_rig), [n for n in names if n not in cam_from_rig])
        elif edge.a in cam_from_rig:
            cam_from_rig[edge.b] = edge.b_from_a @ cam_from_rig[edge.a]
        else:
            cam_from_rig[edge.a] = edge.b_from_a.inverse() @ cam_from_rig[edge.b]
    cameras = {lens.camera: lens.as_camera(cam_from_rig[lens.camera]) for lens in lenses}
    boards = []
    for view in views:
        largest = max(view.corners_px, key=lambda c: float(np.linalg.det(np.cov(view.corners_px[c].T))))
        pose = cam_from_board(cameras[largest], board, view.corners_px[largest])
        boards.append(cam_from_rig[largest].inverse() @ pose)
    return _Start(tuple(cameras[n] for n in names), tuple(boards))


def _raise_apart(joined: Sequence[str], apart: Sequence[str]) -> None:
    raise BadInput(
        f"shared footage does not join the cameras: {', '.join(joined)} on one side, {', '.join(apart)} on the "
        "other; record a set in which the board is held still where cameras of both sides see it together"
    )


def _want_joined(names: Sequence[str], seen: Sequence[BoardSeen]) -> None:
    """Raises BadInput where the observations that were kept no longer join all cameras."""
    reached = {0}
    while True:
        boards = {s.board for s in seen if s.camera in reached}
        more = reached | {s.camera for s in seen if s.board in boards}
        if more == reached:
            break
        reached = more
    if len(reached) < len(names):
        _raise_apart([names[i] for i in sorted(reached)], [n for i, n in enumerate(names) if i not in reached])


def _solve(
    lenses: Sequence[LensCalibration], seen: Sequence[BoardSeen], start: _Start, board: Board
) -> BundleSolution:
    """Solves for the boards that are seen; boards of other indices keep their start."""
    priors = tuple(LensPrior(lens.vector(), information(lens.covariance)) for lens in lenses)
    problem = BundleProblem(board.points_m(), tuple(seen), priors, frozenset({0}))
    return solve_bundle(problem, start.cameras, start.rig_from_board)


def information(covariance: Array) -> Array:
    """Inverse of a covariance whose parameters have very different units. Zero variances count as tiny ones."""
    d = np.sqrt(np.maximum(np.diag(covariance), 1e-24))
    correlation = covariance / np.outer(d, d)
    return np.asarray(np.linalg.inv(correlation + 1e-10 * np.eye(len(d))) / np.outer(d, d))


def _without_outliers(seen: Sequence[BoardSeen], solution: BundleSolution) -> tuple[list[BoardSeen], int]:
    rms = np.array([_rms([r]) for r in solution.residuals_px])
    good = rms <= _BAD_VIEW_RATIO * np.median(rms)
    kept = [s for s, ok in zip(seen, good, strict=True) if ok]
    # a board pose left with one camera says nothing about the rig
    shared = [s for s in kept if sum(o.board == s.board for o in kept) > 1]
    return shared, int((~good).sum())


def _rms(residuals: Sequence[Array]) -> float:
    if not residuals:
        return 0.0
    return float(np.sqrt(np.mean([(r**2).sum(axis=1).mean() for r in residuals])))


def _held_out(
    lenses: Sequence[LensCalibration], seen: Sequence[BoardSeen], solution: BundleSolution, board: Board
) -> float | None:
    """Fits the rig without every fourth board pose, then predicts those poses' corners camera by camera."""
    boards = sorted({s.board for s in seen})
    out = set(boards[_HELD_OUT_EVERY - 1 :: _HELD_OUT_EVERY])
    rest = [s for s in seen if s.board not in out]
    cameras_left = {s.camera for s in rest}
    if len(out) < 2 or len(cameras_left) < len(lenses) or len(boards) - len(out) < 4:
        return None
    fit = _solve(lenses, rest, _Start(solution.cameras, solution.world_from_board), board)
    errors = []
    for b in sorted(out):
        together = [s for s in seen if s.board == b]
        for target in together:
            others = [s for s in together if s.camera != target.camera]
            pose = _pose_from(fit.cameras, others, solution.world_from_board[b], board)
            errors.append(target.uv_px - fit.cameras[target.camera].project(pose.apply(board.points_m())))
    return _rms(errors)


def _pose_from(cameras: Sequence[Camera], others: Sequence[BoardSeen], start: Rigid, board: Board) -> Rigid:
    """The board's pose from some cameras that are held fixed."""
    rigid = np.eye(N_LENS) * 1e18
    priors = tuple(LensPrior(cameras[s.camera].lens_vector(), rigid) for s in others)
    seen = tuple(BoardSeen(i, 0, s.uv_px) for i, s in enumerate(others))
    problem = BundleProblem(board.points_m(), seen, priors, frozenset(range(len(others))))
    return solve_bundle(problem, [cameras[s.camera] for s in others], [start]).world_from_board[0]


def _with_scale(covariance: Array, cameras: Sequence[Camera], board: Board) -> Array:
    """Adds the print's common scale error: it stretches every t_m, which the corners cannot tell."""
    stretch = np.zeros(len(covariance))
    for i, camera in enumerate(cameras):
        stretch[N_CAMERA * i : N_CAMERA * (i + 1)][SHIFT] = camera.cam_from_world.t_m
    return covariance + np.outer(stretch, stretch) * (board.square_u_m / board.square_m) ** 2
