"""The covariance that is foretold is the one that the solver reports once the boards are filmed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration import Camera, CourtOptions, NotMeasurable, Provenance
from calibration.board import Board
from calibration.bundle import BoardSeen, BundleProblem, LensPrior, moved, solve_bundle
from calibration.calibrated_rig import CalibratedRig
from calibration.court.clicks import Click
from calibration.court.model import POINTS, SERVE_VOLUME
from calibration.court.registration import register_court
from calibration.court.uncertainty import sees
from calibration.geometry.camera import N_LENS
from calibration.planning import (
    CalibrationPlan,
    LensForecasts,
    aimed_camera,
    court_u_m,
    focal_of_view_px,
    forecast_covariance,
    lens_poses,
    shape_u_m,
    shared_poses,
    views_of_boards,
)
from tests.support.rig_worlds import rig_cameras

PLACES_M = {"left": (-4.2, -6.2, 2.4), "right": (4.2, -6.2, 2.4), "side": (7.2, 1.0, 2.2)}


def cameras(*names: str) -> tuple[Camera, ...]:
    return tuple(aimed_camera(n, (1280, 720), 1000.0, PLACES_M[n], (0.0, 0.4, 1.3)) for n in names)


def test_an_aimed_camera_sees_its_target_in_the_middle_and_upright() -> None:
    (camera,) = cameras("left")
    np.testing.assert_allclose(camera.project(np.array([0.0, 0.4, 1.3])), [639.5, 359.5], atol=1e-9)
    low, high = camera.project(np.array([[0.0, 0.4, 1.0], [0.0, 0.4, 1.6]]))
    assert low[1] > high[1] and low[0] == pytest.approx(high[0], abs=1e-9)
    np.testing.assert_allclose(camera.centre_m(), PLACES_M["left"], atol=1e-12)


def test_focal_length_of_a_right_angle_is_half_the_width() -> None:
    assert focal_of_view_px(1280, np.pi / 2) == pytest.approx(640.0)


def test_planned_boards_lie_whole_in_the_pictures_and_are_always_the_same() -> None:
    rig, board = cameras("left", "right", "side"), Board(9, 6, 0.1)
    poses = shared_poses(rig, board, 20)
    seen = np.array([views_of_boards(c, board, poses) for c in rig])
    assert len(poses) == 20 and (seen.sum(axis=0) >= 2).all() and seen.any(axis=1).all()
    for pose, again in zip(poses, shared_poses(rig, board, 20), strict=True):
        np.testing.assert_array_equal(pose.R, again.R)
    uv = [rig[0].placed(p).project(board.points_m()) for p in lens_poses(rig[0], board, 20)]
    spread = np.ptp(np.concatenate(uv), axis=0) / rig[0].size_px
    assert (np.array(uv) > 0).all() and (spread > 0.85).all()  # they fill the picture


def test_cameras_that_no_board_joins_are_named() -> None:
    facing = (
        aimed_camera("front", (1280, 720), 1000.0, (0.0, 9.0, 2.0), (0.0, 0.0, 1.2)),
        aimed_camera("behind", (1280, 720), 1000.0, (0.0, -9.0, 2.0), (0.0, 0.0, 1.2)),
    )
    with pytest.raises(NotMeasurable, match="behind"):
        forecast_covariance(facing, CalibrationPlan())


def simulated(rig: tuple[Camera, ...], plan: CalibrationPlan, rng: np.random.Generator) -> CalibratedRig:
    """The planned boards and clicks with noise, through the program's own solver and court registration."""
    poses, points = shared_poses(rig, plan.board, plan.shared_views), plan.board.points_m()
    lenses, priors, at_start = LensForecasts(plan), [], []
    for camera in rig:
        information = np.zeros((N_LENS, N_LENS))
        used = camera.used_parameters()[:N_LENS]
        information[np.ix_(used, used)] = lenses.information(camera)[np.ix_(used, used)]
        root = np.linalg.cholesky(np.linalg.inv(information[np.ix_(used, used)]))
        mean = camera.lens_vector()
        mean[used] += root @ rng.standard_normal(int(used.sum()))
        priors.append(LensPrior(mean, information))
    own = rig_cameras(rig)
    rig_from_court = own[0].cam_from_world.inverse() @ rig[0].cam_from_world
    boards = [replace(rig_from_court, dst="rig", src="court") @ p for p in poses]
    seen = [
        BoardSeen(i, b, c.project(poses[b].apply(points)) + rng.normal(0, plan.corner_u_px, (len(points), 2)))
        for i, c in enumerate(rig)
        for b in np.flatnonzero(views_of_boards(c, plan.board, poses))
    ]
    at_start = [own[0], *(moved(c, 1e-4 * np.r_[np.zeros(N_LENS), np.ones(6)]) for c in own[1:])]
    solution = solve_bundle(BundleProblem(points, tuple(seen), tuple(priors), frozenset({0})), at_start, boards)
    found = CalibratedRig("simulated", "rig", solution.cameras, solution.covariance, Provenance("simulated"))
    paint = {p.name: rng.normal(0, plan.court.paint_u_m, 2) for p in POINTS}
    clicks = []
    for camera in rig:
        for point in POINTS:
            uv = camera.project(np.array(point.xyz_m) + [*paint[point.name], 0.0])
            if sees(camera, uv):
                clicks.append(Click(camera.name, point.name, uv + rng.normal(0, plan.court.click_u_px, 2)))
    return register_court(found, clicks, plan.court)


@pytest.mark.parametrize("names", [("left", "right"), ("left", "right", "side")])
def test_the_solver_reports_what_was_foretold(names: tuple[str, ...], rng: np.random.Generator) -> None:
    """Within 15 %: the solver estimates the corner noise itself and linearises at its own estimate."""
    plan, rig = CalibrationPlan(court=CourtOptions(click_u_px=0.7, paint_u_m=0.003)), cameras(*names)
    foretold = forecast_covariance(rig, plan)
    found = simulated(rig, plan, rng)
    for spread in (court_u_m, shape_u_m):
        reported = spread(found.cameras, found.covariance, SERVE_VOLUME)
        assert spread(rig, foretold, SERVE_VOLUME) == pytest.approx(reported, rel=0.15)


def test_more_board_views_sharpen_shapes_and_paint_limits_the_court() -> None:
    rig = cameras("left", "right", "side")
    rows = [forecast_covariance(rig, CalibrationPlan(shared_views=n)) for n in (10, 40)]
    few, many = (shape_u_m(rig, c, SERVE_VOLUME) for c in rows)
    assert many < 0.8 * few
    painted, exact = (
        court_u_m(rig, forecast_covariance(rig, CalibrationPlan(court=CourtOptions(paint_u_m=u))), SERVE_VOLUME)
        for u in (0.005, 0.0)
    )
    assert exact < 0.9 * painted


def test_an_uncertain_square_size_grows_shapes() -> None:
    """1 % of the square is 1 % of every length: without court points' help shapes would lose just that."""
    rig = cameras("left", "right")
    boards = (Board(9, 6, 0.1), Board(9, 6, 0.1, 0.001))
    sharp, loose = (
        shape_u_m(rig, forecast_covariance(rig, CalibrationPlan(board=b)), SERVE_VOLUME) for b in boards
    )
    assert loose > 1.2 * sharp
