"""Our joint least squares against other people's on the same corners: one sum of squares has one minimum.

OpenCV's calibrateCamera and stereoCalibrate, and mrcal, a library for calibration (Debian's python3-mrcal;
1.7 GB with all that it needs, so it is not installed for the tests: without it they say so and are skipped).
Where model and corners are the same, the answers may differ by a small share of their uncertainty only, however
good or bad the corners are: on invented corners and on the real stereo set of opencv-doc.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from benchmarks.peers import with_mrcal
from benchmarks.world import Arrangement, make_world
from calibration.board import Board
from calibration.bundle import BoardSeen, BundleSolution
from tests.support.solver_agreement import (
    apart_in_u,
    by_calibrate_camera,
    by_stereo_calibrate,
    mrcal_problem,
    plain_solution,
)
from tests.support.stereo_pictures import stereo_pictures

SAME_MINIMUM_U = 0.01
"""Corners reach OpenCV as 32-bit floats and every solver stops somewhere: a hundredth of u covers both."""


@dataclass(frozen=True)
class Corners:
    """Board corners of two or three cameras: what is solved, and our answer."""

    seen: tuple[BoardSeen, ...]
    board: Board
    names: tuple[str, ...]
    size_px: tuple[int, int]
    ours: BundleSolution

    @classmethod
    def of(
        cls, seen: tuple[BoardSeen, ...], board: Board, names: tuple[str, ...], size_px: tuple[int, int]
    ) -> Corners:
        return cls(seen, board, names, size_px, plain_solution(seen, board, names, size_px))

    def views(self, camera: int) -> list[np.ndarray]:
        return [s.uv_px for s in sorted(self.seen, key=lambda s: s.board) if s.camera == camera]


@cache
def invented(n_cameras: int, single_views: int, bow_m: float = 0.0) -> Corners:
    arrangement = Arrangement(n_cameras, single_views, 12, noise_px=0.3, bow_m=bow_m)
    world = make_world(arrangement, 11)
    seen = tuple(
        BoardSeen(int(c), int(b), uv) for c, b, uv in zip(world.camera, world.board, world.uv_px, strict=True)
    )
    return Corners.of(seen, arrangement.board, tuple(c.name for c in world.cameras), arrangement.size_px)


@cache
def stereo_set(folder: Path) -> Corners:
    seen = []
    for camera, side in enumerate(("left", "right")):
        for board, path in enumerate(sorted(folder.glob(f"{side}[0-9][0-9].jpg"))):
            picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
            found, corners = cv2.findChessboardCorners(picture, (9, 6))
            assert found
            corners = cv2.cornerSubPix(picture, corners, (5, 5), (-1, -1), (3, 40, 1e-4))
            seen.append(BoardSeen(camera, board, corners.reshape(-1, 2).astype(float)))
    return Corners.of(tuple(seen), Board(9, 6, 0.030), ("left", "right"), (640, 480))


def corners_of(which: str) -> Corners:
    return stereo_set(stereo_pictures()) if which == "stereo set" else invented(2, 0)


def mrcal() -> str:
    python = with_mrcal.python_with_mrcal()
    if python is None:
        pytest.skip(
            "mrcal not found: install Debian's python3-mrcal, or name its Python in COURTPLUMB_MRCAL_PYTHON"
        )
    return python


@pytest.mark.parametrize("which", ["invented", "stereo set"])
def test_two_cameras_as_opencv_s_stereo_fit(which: str) -> None:
    data = corners_of(which)
    theirs = by_stereo_calibrate(data.views(0), data.views(1), data.board, data.names, data.size_px)
    assert apart_in_u(theirs, data.ours) < SAME_MINIMUM_U


@pytest.mark.parametrize("which", ["invented", "stereo set"])
def test_one_camera_as_opencv_s_lens_fit(which: str) -> None:
    data = corners_of(which)
    alone = tuple(s for s in data.seen if s.camera == 0)
    boards = {b: i for i, b in enumerate(sorted({s.board for s in alone}))}
    seen = tuple(replace(s, board=boards[s.board]) for s in alone)
    ours = plain_solution(seen, data.board, data.names[:1], data.size_px)
    theirs = by_calibrate_camera(data.views(0), data.board, data.names[0], data.size_px)
    assert apart_in_u([theirs], ours) < SAME_MINIMUM_U


def test_the_stereo_set_s_shift_as_a_plain_stereo_solve_has_it() -> None:
    """T −99.813 1.102 −0.143 mm from the same pictures and window, noted before this solver existed."""
    pose = stereo_set(stereo_pictures()).ours.cameras[1].cam_from_world
    np.testing.assert_allclose(1e3 * pose.t_m, [-99.813, 1.102, -0.143], atol=0.002)


@pytest.mark.parametrize("which", ["invented", "stereo set", "three cameras"])
def test_mrcal_finds_the_same_cameras_and_the_same_uncertainty(which: str) -> None:
    python = mrcal()
    data = invented(3, 4) if which == "three cameras" else corners_of(which)
    (theirs,) = with_mrcal.solve(python, [mrcal_problem(data.seen, data.board, data.ours)])
    assert apart_in_u(theirs.answer.cameras, data.ours) < SAME_MINIMUM_U
    u = np.sqrt(np.diag(data.ours.covariance)).reshape(len(data.names), -1)
    # the noise is estimated in two ways: from all residuals there, without those beyond 4 sigma here
    np.testing.assert_allclose(theirs.lens_u, u[:, :8], rtol=0.03)
    np.testing.assert_allclose(theirs.shift_u_m, u[1:, -3:], rtol=0.03)


def test_mrcal_finds_the_same_bow() -> None:
    python = mrcal()
    data = invented(3, 4, bow_m=0.003)
    ours = plain_solution(data.seen, data.board, data.names, data.size_px, bow_u_m=1.0)
    (theirs,) = with_mrcal.solve(python, [mrcal_problem(data.seen, data.board, ours, bow=True)])
    assert theirs.answer.bow_m is not None
    bow_u_m = np.sqrt(np.diag(ours.bow_covariance))
    assert np.abs((theirs.answer.bow_m - ours.bow_m) / bow_u_m).max() < SAME_MINIMUM_U
    assert apart_in_u(theirs.answer.cameras, ours) < SAME_MINIMUM_U
    # and it is the true one: 3 mm over the corners, split between the axes as the squares of their half lengths
    true_m = 0.003 * np.array([16.0, 6.25]) / 22.25
    assert np.abs((ours.bow_m - true_m) / bow_u_m).max() < 4
