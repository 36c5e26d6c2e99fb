"""This project's joint least squares on an invented recording."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchmarks.judge import Answer
from benchmarks.world import COURT_XYZ_M, World
from calibration.bundle import (
    BoardSeen,
    BundleProblem,
    BundleSolution,
    CourtPoints,
    LensPrior,
    PointSeen,
    SolveOptions,
    solve_bundle,
)
from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_LENS
from calibration.start import start_cameras

_HELD = 1e18  # information that leaves a lens term where it is
_BOW_U_M = 0.005  # a printed board on a plate is flat within a few millimetres
_EXACT_M = 1e-4  # u of paint that is said to lie where the rules put it
_COURT_OFF = (0.01, 0.05)  # rad, m: standard deviation of the court's first placement


def four_terms() -> LensPrior:
    """Nothing is known of the lens but that k3 is 0: OpenCV's and mrcal's four-term model."""
    information = np.zeros((N_LENS, N_LENS))
    information[8, 8] = _HELD
    return LensPrior(np.zeros(N_LENS), information)


def problem_of(world: World, *, bow: bool = False, court: bool = False, seed: int = 0) -> BundleProblem:
    """The recording in the first camera's frame. bow: the board may bow; court: with the court's points."""
    seen = tuple(
        BoardSeen(int(c), int(b), uv) for c, b, uv in zip(world.camera, world.board, world.uv_px, strict=True)
    )
    return BundleProblem(
        world.points_m, seen, (four_terms(),) * len(world.cameras), frozenset({0}),
        bow_u_m=_BOW_U_M if bow else None, court=_court(world, seed) if court else None,
    )  # fmt: skip


def _court(world: World, seed: int) -> CourtPoints:
    """Every click; the paint's stated u is the true one, half as large in height."""
    arrangement = world.arrangement
    if arrangement.court_px is None:
        raise ValueError("this recording has no court points")
    u = np.full(COURT_XYZ_M.shape, max(arrangement.court_m, _EXACT_M)) * (1, 1, 0.5)
    seen = tuple(
        PointSeen(s.camera, int(i), uv, arrangement.court_px)
        for s in world.court
        for i, uv in zip(s.ids, s.uv_px, strict=True)
    )
    true = world.cameras[0].cam_from_world
    off = np.random.default_rng((2, seed)).standard_normal((2, 3)) * np.array(_COURT_OFF)[:, None]
    start = Rigid.from_rotvec(off[0], off[1], "rig", "rig") @ Rigid(true.R, true.t_m, "rig", "court")
    return CourtPoints(COURT_XYZ_M, u, seen, start)


def solved(
    problem: BundleProblem,
    cameras: Sequence[Camera],
    boards: Sequence[Rigid],
    options: SolveOptions | None = None,
) -> tuple[Answer, BundleSolution]:
    """Our joint fit from a given start."""
    started = time.process_time()
    solution = solve_bundle(problem, cameras, boards, options)
    seconds = time.process_time() - started
    bow = solution.bow_m if problem.bow_u_m is not None else None
    return Answer(solution.cameras, solution.covariance, seconds, bow), solution


def from_corners(
    world: World, *, bow: bool = False, court: bool = False, seed: int = 0, options: SolveOptions | None = None
) -> tuple[Answer, BundleSolution]:
    """From corners alone (and court points, from a disturbed first placement): closed-form start, joint fit."""
    problem = problem_of(world, bow=bow, court=court, seed=seed)
    names, n = [c.name for c in world.cameras], len(world.cameras)
    started = time.process_time()
    cameras, boards = start_cameras(
        names, [world.arrangement.size_px] * n, ["radial5"] * n, problem.seen, problem.points_m, world.n_boards
    )
    answer, solution = solved(problem, cameras, boards, options)
    return replace(answer, seconds=time.process_time() - started), solution
