"""Other solvers on corners that ours is given too, and how far their answers lie apart in ours' own u."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from benchmarks.judge import parameter_errors
from benchmarks.ours import four_terms
from benchmarks.peers.with_mrcal import MrcalProblem
from calibration.board import Board
from calibration.bundle import BoardSeen, BundleProblem, BundleSolution, SolveOptions, solve_bundle
from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from calibration.start import start_cameras

PLAIN = SolveOptions(robust=False)
"""The sum of squares that the others minimise as well."""


def plain_solution(
    seen: Sequence[BoardSeen],
    board: Board,
    names: Sequence[str],
    size_px: tuple[int, int],
    bow_u_m: float | None = None,
) -> BundleSolution:
    """Ours from corners alone, four lens terms."""
    n, points = len(names), board.points_m()
    start = start_cameras(names, [size_px] * n, ["radial5"] * n, seen, points, 1 + max(s.board for s in seen))
    problem = BundleProblem(points, tuple(seen), (four_terms(),) * n, frozenset({0}), bow_u_m=bow_u_m)
    return solve_bundle(problem, *start, PLAIN)


def apart_in_u(other: Sequence[Camera], ours: BundleSolution) -> float:
    """The largest difference of any lens or pose parameter, in our standard uncertainties."""
    u = np.sqrt(np.diag(ours.covariance))
    known = u > 1e-9  # not the held pose, nor the held k3
    return float(np.abs(parameter_errors(other, ours.cameras)[known] / u[known]).max())


def mrcal_problem(
    seen: Sequence[BoardSeen], board: Board, start: BundleSolution, *, bow: bool = False
) -> MrcalProblem:
    """The same corners for mrcal, started 1 % and 10 mrad away from our answer: it has to find its own."""
    moved = [_off(c, i) for i, c in enumerate(start.cameras)]
    boards = [
        Rigid.from_rotvec((0.01, -0.01, 0.01), (0.005, 0.005, -0.01), "rig", "rig") @ b
        for b in start.world_from_board
    ]
    views = tuple((s.camera, s.board, s.uv_px) for s in seen)
    return MrcalProblem(tuple(moved), tuple(boards), views, board.columns, board.rows, board.square_m, bow=bow)


def _off(camera: Camera, i: int) -> Camera:
    lens = camera.lens_vector() * np.array([1.01, 0.99, 1.01, 0.99] + [0.8] * 8)
    pose = camera.cam_from_world
    off = Rigid.from_rotvec((0.01, 0.01, -0.01), (0.01, -0.01, 0.01), pose.dst, pose.dst)
    return camera.with_lens(lens, pose if i == 0 else off @ pose)


def by_stereo_calibrate(
    left: Sequence[Array], right: Sequence[Array], board: Board, names: Sequence[str], size_px: tuple[int, int]
) -> tuple[Camera, Camera]:
    """OpenCV's joint fit of two cameras that saw every board pose together, run to its end."""
    points = [board.points_m().astype(np.float32)] * len(left)
    views = [[np.asarray(uv, dtype=np.float32) for uv in side] for side in (left, right)]
    flags = cv2.CALIB_FIX_K3
    first = [cv2.calibrateCamera(points, side, size_px, None, None, flags=flags) for side in views]
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 500, 1e-12)
    found = cv2.stereoCalibrate(
        points, *views, first[0][1], first[0][2], first[1][1], first[1][2], size_px,
        flags=flags | cv2.CALIB_USE_INTRINSIC_GUESS, criteria=stop,
    )  # fmt: skip
    pose = Rigid(found[5], found[6].ravel(), f"cam_{names[1]}", "rig")
    at_origin = Rigid.identity(f"cam_{names[0]}", "rig")
    return _camera(names[0], size_px, found[1], found[2], at_origin), _camera(
        names[1], size_px, found[3], found[4], pose
    )


def by_calibrate_camera(views: Sequence[Array], board: Board, name: str, size_px: tuple[int, int]) -> Camera:
    """OpenCV's fit of one camera, run to its end."""
    points = [board.points_m().astype(np.float32)] * len(views)
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 500, 1e-12)
    uv = [np.asarray(v, dtype=np.float32) for v in views]
    _, K, terms, _, _ = cv2.calibrateCamera(
        points, uv, size_px, None, None, flags=cv2.CALIB_FIX_K3, criteria=stop
    )
    return _camera(name, size_px, K, terms, Rigid.identity(f"cam_{name}", "rig"))


def _camera(name: str, size_px: tuple[int, int], K: Array, terms: Array, pose: Rigid) -> Camera:
    clean = np.array([[K[0, 0], 0, K[0, 2]], [0, K[1, 1], K[1, 2]], [0, 0, 1]], dtype=float)
    return Camera(name, size_px, clean, np.ravel(terms)[:5].astype(float), pose)
