"""The joint rig solve: right, honest, and clear about cameras that nothing joins."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.board import Board
from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.court.model import SERVE_VOLUME
from calibration.court.uncertainty import worst_u_over_volume
from calibration.errors import BadInput
from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_CAMERA, POSE, SHIFT
from calibration.lens import LensCalibration, calibrate_lens
from calibration.provenance import Provenance
from calibration.rig import calibrate_rig
from calibration.shared import Placement, SharedView
from tests.support.rig_worlds import (
    BOARD,
    SIZE_PX,
    court_cameras,
    lens_views,
    parameter_error,
    rig_cameras,
    rough_placements,
    shared_boards,
    shared_views,
    squared_in_sigmas,
)

LENS_U = np.array([0.5, 0.5, 0.6, 0.6, 0.002, 0.008, 2e-4, 2e-4, 0.01, 0, 0, 0])


def lens_of(camera: Camera, error: Array) -> LensCalibration:
    K = camera.K_px + np.array([[error[0], 0, error[2]], [0, error[1], error[3]], [0, 0, 0]])
    return LensCalibration(
        camera.name,
        camera.size_px,
        K,
        camera.distortion + error[4:9],
        np.diag(LENS_U**2),
        0.2,
        np.full(20, 0.2),
        20,
        0.9,
    )


def invented(
    rng: np.random.Generator, sigma_px: float, count: int = 10, lens_error: bool = True
) -> tuple[CalibratedRig, tuple[Camera, ...]]:
    true = rig_cameras(court_cameras())
    lenses = [lens_of(c, rng.normal(0, LENS_U) if lens_error else np.zeros(9)) for c in true]
    views = shared_views(true, shared_boards(true, count, rng), sigma_px, rng)
    rig = calibrate_rig("r", lenses, views, rough_placements(true, rng), BOARD, Provenance("test")).rig
    return rig, true


def test_exact_corners_give_the_exact_rig() -> None:
    rig, true = invented(np.random.default_rng(1), 0.0, lens_error=False)
    for got, want in zip(rig.cameras, true, strict=True):
        assert np.abs(parameter_error(got, want)[9:]).max() < 1e-5
    assert rig.frame == "rig" and max(rig.camera_rms_px) < 1e-3 and rig.board_views == 10


def test_covariance_is_honest() -> None:
    """Lens errors drawn from their covariance, corner noise on top: squared error in its chi-square band."""
    rng = np.random.default_rng(11)
    total, freedom = 0.0, 0
    for _ in range(12):
        rig, true = invented(rng, 0.2, count=7)
        error = np.concatenate([parameter_error(a, b) for a, b in zip(rig.cameras, true, strict=True)])
        squared, n = squared_in_sigmas(error, rig.covariance)
        total, freedom = total + squared, freedom + n
    assert freedom == 12 * 39  # the first camera's pose is the gauge
    assert chi2.ppf(0.001, freedom) < total < chi2.ppf(0.999, freedom), total / freedom


def test_the_gauge_is_the_first_camera() -> None:
    rig, _ = invented(np.random.default_rng(2), 0.2)
    assert np.all(rig.covariance[POSE] == 0) and np.all(rig.covariance[:, POSE] == 0)
    np.testing.assert_array_equal(rig.cameras[0].cam_from_world.R, np.eye(3))
    assert rig.held_out_px is not None and 0.1 < rig.held_out_px < 2.0


def test_the_square_s_uncertainty_scales_the_rig() -> None:
    rng = np.random.default_rng(3)
    true = rig_cameras(court_cameras())
    views = shared_views(true, shared_boards(true, 8, rng), 0.1, rng)
    lenses = [lens_of(c, np.zeros(9)) for c in true]
    placements = rough_placements(true, rng)
    plain = calibrate_rig("r", lenses, views, placements, BOARD, Provenance("test")).rig
    unsure = calibrate_rig("r", lenses, views, placements, Board(9, 6, 0.1, 0.001), Provenance("test")).rig
    added = np.diag(unsure.covariance - plain.covariance).reshape(3, N_CAMERA)[:, SHIFT]
    wanted = [(0.01 * c.cam_from_world.t_m) ** 2 for c in plain.cameras]
    np.testing.assert_allclose(added, wanted, rtol=1e-6, atol=1e-12)


def test_a_view_of_another_moment_is_dropped() -> None:
    rng = np.random.default_rng(5)
    true = rig_cameras(court_cameras())
    views = shared_views(true, shared_boards(true, 10, rng), 0.1, rng)
    name = next(iter(views[3].corners_px))
    moved = {n: px + (40.0 if n == name else 0.0) for n, px in views[3].corners_px.items()}
    views[3] = SharedView("moved", moved)
    lenses = [lens_of(c, np.zeros(9)) for c in true]
    rig = calibrate_rig("r", lenses, views, rough_placements(true, rng), BOARD, Provenance("test")).rig
    assert any("left out" in f for f in rig.flags)
    errors = [parameter_error(a, b)[12:] for a, b in zip(rig.cameras, true, strict=True)]
    assert np.abs(errors).max() < 0.02


def test_cameras_that_nothing_joins_are_named() -> None:
    rng = np.random.default_rng(6)
    true = rig_cameras(court_cameras())
    views = [SharedView(v.label, {n: p for n, p in v.corners_px.items() if n != "side"})
             for v in shared_views(true, shared_boards(true, 10, rng), 0.1, rng)]  # fmt: skip
    views = [v for v in views if len(v.corners_px) > 1]
    lenses = [lens_of(c, np.zeros(9)) for c in true]
    placements: list[Placement] = rough_placements(true[:2], rng)
    with pytest.raises(BadInput, match="left, right on one side, side on the other"):
        calibrate_rig("r", lenses, views, placements, BOARD, Provenance("test"))


def test_a_subset_keeps_its_part_of_the_covariance() -> None:
    rig, _ = invented(np.random.default_rng(2), 0.2)
    pair = rig.subset(["side", "left"])
    assert pair.names == ("side", "left")
    np.testing.assert_array_equal(
        pair.covariance[:N_CAMERA, N_CAMERA:], rig.covariance[2 * N_CAMERA :, :N_CAMERA]
    )
    with pytest.raises(BadInput, match="no camera 'top'; it has left, right, side"):
        rig.subset(["top"])


def test_records_refuse_contradictions() -> None:
    rig, _ = invented(np.random.default_rng(2), 0.2)
    with pytest.raises(BadInput, match="left is listed twice"):
        replace(rig, cameras=(rig.cameras[0], rig.cameras[0], rig.cameras[2]))
    with pytest.raises(BadInput, match="want cameras in 'court'"):
        replace(rig, frame="court")
    lopsided = np.array(rig.covariance)
    lopsided[0, 1] += 1
    with pytest.raises(BadInput, match="symmetric"):
        replace(rig, covariance=lopsided)


def test_lens_and_shared_footage_of_a_bowed_board_count_together() -> None:
    """All parameters of rigs from footage of a bowed board: squared error in its chi-square band."""
    total, freedom = 0.0, 0
    true = rig_cameras(court_cameras())
    for seed in range(6):
        rng = np.random.default_rng(seed)
        bow = rng.normal(0, 0.003, 2)
        lenses = [
            calibrate_lens(c.name, lens_views(c, 12, 0.1, rng, bow_m=bow), BOARD, SIZE_PX, c.name, "radial5")
            for c in true
        ]
        views = shared_views(true, shared_boards(true, 16, rng), 0.3, rng, bow)
        rig = calibrate_rig("r", lenses, views, rough_placements(true, rng), BOARD, Provenance("test")).rig
        error = np.concatenate([parameter_error(a, b) for a, b in zip(rig.cameras, true, strict=True)])
        squared, n = squared_in_sigmas(error, rig.covariance)
        total, freedom = total + squared, freedom + n
        assert rig.held_out_length_m is not None and 0.0005 < rig.held_out_length_m < 0.01
        assert any("bowed" in f for f in rig.flags) or np.abs(bow).max() < 0.001
    assert freedom == 6 * 39
    assert chi2.ppf(0.001, freedom) < total < chi2.ppf(0.999, freedom), total / freedom


def test_the_rig_is_better_with_the_lenses_own_views_than_with_their_summary() -> None:
    """A bow that the near views show well is lost in a summary of the lens alone."""
    rng = np.random.default_rng(4)
    true = rig_cameras(court_cameras())
    bow = np.array([0.003, 0.002])
    lenses = [
        calibrate_lens(c.name, lens_views(c, 20, 0.1, rng, bow_m=bow), BOARD, SIZE_PX, c.name, "radial5")
        for c in true
    ]
    views = shared_views(true, shared_boards(true, 12, rng), 0.2, rng, bow)
    placements = rough_placements(true, rng)
    joint = calibrate_rig("r", lenses, views, placements, BOARD, Provenance("test")).rig
    summed = [replace(lens, views=()) for lens in lenses]
    alone = calibrate_rig("r", summed, views, placements, BOARD, Provenance("test")).rig
    worst = [worst_u_over_volume(in_court(rig), rig.covariance, SERVE_VOLUME) for rig in (joint, alone)]
    assert worst[0] is not None and worst[1] is not None and worst[0] < worst[1]


def in_court(rig: CalibratedRig) -> tuple[Camera, ...]:
    """The rig's cameras at the invented rig's place in the court."""
    first = court_cameras()[0].cam_from_world
    rig_from_court = Rigid(first.R, first.t_m, "rig", "court")
    return tuple(c.placed(c.cam_from_world @ rig_from_court) for c in rig.cameras)
