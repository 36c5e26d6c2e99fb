"""Draws of displacement: as large as the linear theory says, smooth in time, and source by source."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.geometry.camera import N_CAMERA, SHIFT
from recon.records import Clock, Clocks, Motion, PointStatus
from recon.triangulate import triangulate
from recon.uncertainty import JOINT_OFFSET_M, ErrorModel, covariance_of, displacements
from tests.support.world import three_cameras

CAMERAS = three_cameras()
NAMES = ("left_hip", "racket_tip")
T = np.linspace(0, 1.5, 91)


def moving() -> Motion:
    x = np.stack(
        [np.stack([0.1 * T, 0.3 + 0.5 * T, 1 + 0 * T], 1), np.stack([0.5 + 0 * T, 5 * T - 4, 2 + 0 * T], 1)], 1
    )
    cov = np.broadcast_to(np.eye(3) * 1e-6, (*x.shape, 3))
    return Motion("court", NAMES, T, x, np.gradient(x, T, axis=0), cov, np.full(x.shape[:2], PointStatus.OK))


def draws(sigma_px: float = 2.0, u_clock_s: float = 0.0, covariance: np.ndarray | None = None):
    clocks = Clocks(
        "rear_left", tuple(Clock(c.name, 0.0, 0.0 if k == 0 else u_clock_s) for k, c in enumerate(CAMERAS))
    )
    support = np.full((len(T), 2, 3), sigma_px)
    cov = np.zeros((3 * N_CAMERA, 3 * N_CAMERA)) if covariance is None else covariance
    found = displacements(moving(), CAMERAS, cov, support, clocks, ErrorModel(draws=400))
    return {d.source: d for d in found}


def test_pixel_part_is_that_of_one_instant():
    """The covariance of the draws equals the triangulation's own, within the spread of 400 draws."""
    x = moving().xyz_m[40]
    uv = np.stack([c.project(x) for c in CAMERAS], axis=1)
    expected = triangulate(CAMERAS, uv, np.full((2, 3), 2.0)).cov_m2
    got = covariance_of([draws()["pixels"]])[40]
    for e, g in zip(expected, got, strict=True):
        np.testing.assert_allclose(np.diag(g), np.diag(e), rtol=0.35)


def test_pixel_part_is_smooth_in_time():
    moved = draws()["pixels"].moved_m[:, :, 0, 2]
    step = T[1]
    near, far = (np.mean(moved[:, :-k] * moved[:, k:]) / np.mean(moved**2) for k in (1, round(0.4 / step)))
    assert near > 0.97
    assert abs(far) < 0.15


def test_clock_part_grows_with_speed():
    clock = covariance_of([draws(u_clock_s=0.002)["clocks"]])
    slow, fast = (np.sqrt(np.trace(clock[45, p])) for p in (0, 1))
    assert fast == pytest.approx(10 * slow, rel=0.6)
    assert fast < 5 * 0.002  # never more than speed times clock error


def test_calibration_part_shifts_all_times_alike():
    covariance = np.zeros((3 * N_CAMERA, 3 * N_CAMERA))
    covariance[SHIFT.start, SHIFT.start] = 0.01**2  # the first camera's place along its own x, 1 cm
    moved = draws(covariance=covariance)["calibration"].moved_m
    spread = moved[:, :, 0].std(axis=0)
    assert 0.001 < spread.max() < 0.01
    correlation = np.corrcoef(moved[:, 0, 0, 0], moved[:, -1, 0, 0])[0, 1]
    assert correlation > 0.95


def test_rackets_have_no_joint_offset_and_hips_do():
    moved = draws()["joint centres"].moved_m
    assert np.abs(moved[:, :, 1]).max() == 0
    hip = np.linalg.norm(moved[:, 0, 0], axis=1)
    assert np.sqrt((hip**2).mean()) == pytest.approx(JOINT_OFFSET_M["hip"], rel=0.12)


def test_the_same_input_gives_the_same_draws():
    one, two = draws(), draws()
    for name in one:
        np.testing.assert_array_equal(one[name].moved_m, two[name].moved_m)
