"""Draws of displacement: as large as the linear theory says, smooth in time, and source by source."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.geometry.camera import N_CAMERA, SHIFT
from recon.instants import points_at_instants
from recon.motion import fit_motion
from recon.records import WHITE, CameraTracks, Clock, Clocks, Motion, NoiseShape, PointStatus, Tracks2D
from recon.triangulate import triangulate
from recon.uncertainty import JOINT_OFFSET_M, ErrorModel, covariance_of, displacements
from tests.support.world import three_cameras

CAMERAS = three_cameras()
NAMES = ("left_hip", "racket_tip")
T = np.linspace(0, 1.5, 91)


LASTING = NoiseShape(white=0.1, slow=0.0, bias=0.9)
LINGERING = NoiseShape(white=0.0, slow=1.0, bias=0.0, slow_s=0.1)


def moving(pace: float = 1.0) -> Motion:
    x = np.stack(
        [
            np.stack([0.1 * pace * T, 0.3 + 0.5 * pace * T, 1 + 0 * T], 1),
            np.stack([0.5 + 0 * T, 5 * pace * T - 4 * pace, 2 + 0 * T], 1),
        ],
        1,
    )
    # restless, so that smoothness alone tells little
    x = x + 0.02 * pace + 0.02 * np.sin(2 * np.pi * np.array([2.3, 2.9, 3.7]) * T[:, None, None])
    cov = np.broadcast_to(np.eye(3) * 1e-6, (*x.shape, 3))
    return Motion("court", NAMES, T, x, np.gradient(x, T, axis=0), cov, np.full(x.shape[:2], PointStatus.OK))


def draws(
    sigma_px: float = 2.0,
    u_clock_s: float = 0.0,
    covariance: np.ndarray | None = None,
    noise: NoiseShape = LASTING,
    u_readout_s: float = 0.0,
    pace: float = 1.0,
    u_drift: float = 0.0,
    at_s: float = 0.0,
    joint: np.ndarray | None = None,
    u_first_s: float = 0.0,
):
    own = tuple(
        Clock(
            c.name,
            0.0,
            u_clock_s if k else u_first_s,
            u_readout_s=u_readout_s,
            u_drift=u_drift * (k > 0),
            at_s=at_s,
        )
        for k, c in enumerate(CAMERAS)
    )
    clocks = Clocks("rear_left", own, () if joint is None else tuple(map(tuple, joint.tolist())))
    x = moving(pace).xyz_m
    seen = tuple(
        CameraTracks(c.name, c.size_px, T, c.project(x), np.full(x.shape[:2], sigma_px)) for c in CAMERAS
    )
    tracks = Tracks2D(NAMES, seen, "invented", (noise,) * 2)
    motion, support = fit_motion(CAMERAS, tracks, clocks, points_at_instants(CAMERAS, tracks, clocks))
    cov = np.zeros((3 * N_CAMERA, 3 * N_CAMERA)) if covariance is None else covariance
    model = ErrorModel(draws=400)
    pixels = support.draws(model.draws, model.seed)
    found = displacements(motion, CAMERAS, cov, support.sigma_px, pixels, clocks, model)
    return {d.source: d for d in found}


def test_the_errors_that_moved_the_points_come_along_for_the_ball():
    """Only the first camera is unsure, of its place along x: the same draws stand behind points and errors."""
    covariance = np.zeros((3 * N_CAMERA, 3 * N_CAMERA))
    shift = N_CAMERA - 3  # tx of the first camera
    covariance[shift, shift] = 0.01**2
    found = draws(covariance=covariance, u_clock_s=0.001)
    errors = found["calibration"].errors
    assert errors.shape == (400, 3 * N_CAMERA)
    moved = found["calibration"].moved_m[:, 40, 0]
    for axis in range(3):
        assert abs(np.corrcoef(errors[:, shift], moved[:, axis])[0, 1]) == pytest.approx(1.0, abs=1e-6)
    assert found["clocks"].errors.shape == (400, 3 * len(CAMERAS))
    assert found["pixels"].errors is None


def one_instant(k: int, pace: float = 1.0) -> np.ndarray:
    x = moving(pace).xyz_m[k]
    uv = np.stack([c.project(x) for c in CAMERAS], axis=1)
    return triangulate(CAMERAS, uv, np.full((2, 3), 2.0)).cov_m2


def test_a_lasting_pixel_error_is_not_averaged_out():
    """The covariance of the draws equals the triangulation's own, within the spread of 400 draws.

    For points that stay in place: on a long way, without white noise, the cameras' contradictions tell
    their lasting errors.
    """
    got = covariance_of([draws(pace=0.0)["pixels"]])[40]
    for e, g in zip(one_instant(40, 0.0), got, strict=True):
        np.testing.assert_allclose(np.diag(g), np.diag(e), rtol=0.35)


def test_a_white_one_is():
    got = covariance_of([draws(noise=WHITE)["pixels"]])[40]
    for e, g in zip(one_instant(40), got, strict=True):
        assert np.trace(g) < 0.3 * np.trace(e)


def test_a_lingering_error_lingers():
    moved = draws(noise=LINGERING)["pixels"].moved_m[:, :, 0, 2]
    step = T[1]
    near, far = (np.mean(moved[:, :-k] * moved[:, k:]) / np.mean(moved**2) for k in (1, round(0.4 / step)))
    assert near > 0.8
    assert abs(far) < 0.15


def test_clock_part_grows_with_speed():
    clock = covariance_of([draws(u_clock_s=0.002)["clocks"]])
    slow, fast = (np.sqrt(np.trace(clock[45, p])) for p in (0, 1))
    assert fast == pytest.approx(10 * slow, rel=0.6)
    assert fast < 5 * 0.002  # never more than speed times clock error


def test_a_shutter_not_known_moves_what_lies_away_from_the_middle_row():
    shutter = covariance_of([draws(u_readout_s=0.004)["clocks"]])
    middle = [c.project(moving().xyz_m[:, 1])[:, 1] for c in CAMERAS]
    rows = np.array([(v + 0.5) / c.size_px[1] - 0.5 for v, c in zip(middle, CAMERAS, strict=True)])
    u = np.sqrt(np.trace(shutter[:, 1], axis1=1, axis2=2))
    # the racket moves with 5 m/s: its place is off by 5 m/s · 4 ms · the row's share, shared among three views
    largest = 5 * 0.004 * np.abs(rows).max(axis=0)
    assert (u < 1.5 * largest).all() and (u > 0.2 * largest).all()


def test_clocks_wrong_alike_move_a_point_along_its_way_and_others_aside_too():
    alone = draws(u_clock_s=0.002, u_first_s=0.002)["clocks"]
    alike = np.zeros((9, 9))
    alike[np.ix_([0, 3, 6], [0, 3, 6])] = 0.002**2
    shared = draws(u_clock_s=0.002, u_first_s=0.002, joint=alike)["clocks"]
    velocity = moving().velocity_m_s[10:-10, 1]
    speed2 = (velocity**2).sum(axis=1)
    variances = []
    for d in (alone, shared):
        cov = covariance_of([d])[10:-10, 1]
        along = np.einsum("ti,tij,tj->t", velocity, cov, velocity) / speed2
        variances.append((np.trace(cov, axis1=1, axis2=2), along))
    (total, along), (total_alike, along_alike) = variances
    np.testing.assert_allclose(np.sqrt(total_alike), 0.002 * np.sqrt(speed2), rtol=0.15)
    assert (along_alike > 0.98 * total_alike).all() and (along < 0.9 * total).mean() > 0.9


def test_a_drift_not_known_counts_from_the_time_at_which_the_offset_holds():
    u = np.sqrt(np.trace(covariance_of([draws(u_drift=1e-3, at_s=0.5)["clocks"]])[:, 1], axis1=1, axis2=2))
    assert u.argmin() == pytest.approx(0.5 / T[1], abs=3)
    assert u[-1] == pytest.approx(u[round(0.75 / T[1])] * (1.0 / 0.25), rel=0.35)


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
