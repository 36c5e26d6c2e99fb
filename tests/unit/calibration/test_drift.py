"""A camera that moved is noticed, measured and registered anew; one that did not is left in peace."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from calibration.bundle import moved
from calibration.calibrated_rig import CalibratedRig
from calibration.drift import CameraCheck, check_camera, displacement_picture, mended_rig
from calibration.drift.mend import moved_camera
from calibration.drift.motion import fit_motion
from calibration.drift.shifts import Shifts, no_motion
from calibration.errors import BadInput
from calibration.geometry import Camera
from calibration.geometry.camera import N_CAMERA, POSE
from calibration.provenance import Provenance
from tests.support.court_scenes import (
    CALIBRATION_U,
    Day,
    Scene,
    nudged_camera,
    registered,
    scaled_camera,
    some_day,
    some_direction,
)
from tests.support.rig_worlds import court_camera


@dataclass(frozen=True, eq=False)
class Court:
    """An invented court, the true camera, its calibration, and the reference picture."""

    scene: Scene
    true: Camera
    camera: Camera
    covariance: np.ndarray
    reference: np.ndarray

    def check(
        self, turn_deg: np.ndarray, shift_mm: np.ndarray, seed: int, day: Day | None = None
    ) -> CameraCheck:
        rng = np.random.default_rng(seed)
        stands = nudged_camera(self.true, np.radians(turn_deg), 1e-3 * shift_mm)
        new = self.scene.seen_by(stands, day or some_day(rng), rng)
        return check_camera(self.camera, self.covariance, new, self.reference)


@pytest.fixture(scope="module")
def court() -> Court:
    rng = np.random.default_rng(1)
    true = scaled_camera(court_camera("right"), 0.5)
    scene = Scene(true, 3)
    reference = scene.seen_by(true, Day(player=False, quality=95), rng)
    return Court(scene, true, *registered(true, rng), reference)


NONE = np.zeros(3)


@pytest.mark.parametrize("seed", [10, 11])
def test_a_camera_that_stands_still_is_left_in_peace(court: Court, seed: int) -> None:
    """Other light, other shadows, noise, compression; a player and balls stand in the picture."""
    check = court.check(NONE, NONE, seed, replace(some_day(np.random.default_rng(seed)), player=True))
    assert check.moved is False
    assert check.turn_noticed_rad < np.radians(0.05) and check.shift_noticed_m < 0.006


@pytest.mark.parametrize(
    ("degrees", "mm", "seed"), [(0.2, 0.0, 20), (0.0, 5.0, 22), (0.0, 5.0, 23), (2.0, 50.0, 24)]
)
def test_a_nudge_is_noticed_and_measured(court: Court, degrees: float, mm: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn, shift = degrees * some_direction(rng), mm * some_direction(rng)
    check = court.check(turn, shift, seed)
    assert check.moved is True
    error = np.concatenate([check.turn_rad - np.radians(turn), check.shift_m - 1e-3 * shift])
    u = np.sqrt(np.diag(check.covariance))
    assert (np.abs(error) < 4.5 * u).all()
    assert u[:3].max() < np.radians(0.02) and u[3:].max() < 0.003


def test_what_a_picture_cannot_tell_is_not_told(court: Court) -> None:
    dark = np.zeros_like(court.reference)
    check = check_camera(court.camera, court.covariance, dark, court.reference)
    assert check.moved is None and "found again" in check.reason
    with pytest.raises(BadInput, match="want 640x360 px as calibrated, got 320x180"):
        check_camera(court.camera, court.covariance, court.reference[::2, ::2], court.reference)


def test_without_a_reference_picture_the_lines_alone_tell_a_large_move(court: Court) -> None:
    rng = np.random.default_rng(5)
    still = check_camera(court.camera, court.covariance, court.reference)
    assert not still.moved and not still.with_reference
    stands = nudged_camera(court.true, np.radians([0.0, 0.5, 0.0]), NONE)
    new = court.scene.seen_by(stands, Day(player=False), rng)
    turned = check_camera(court.camera, court.covariance, new)
    assert turned.moved is True and abs(turned.turn_deg - 0.5) < 4 * turned.u_turn_deg()


def two_camera_rig(court: Court) -> CalibratedRig:
    """The court's camera and another one whose errors hang together with it, as all do that share a court."""
    other = scaled_camera(court_camera("left"), 0.5)
    half = np.vstack([np.diag(CALIBRATION_U), 0.6 * np.diag(CALIBRATION_U)])
    own = np.zeros((2 * N_CAMERA,) * 2)
    own[N_CAMERA:, N_CAMERA:] = np.diag(CALIBRATION_U**2) * 0.64
    return CalibratedRig("two", "court", (court.camera, other), half @ half.T + own, Provenance("test"))


def test_only_the_moved_camera_is_registered_anew(court: Court) -> None:
    rig = two_camera_rig(court)
    shift = np.array([3.0, -4.0, 2.0])
    check = court.check(np.array([0.1, -0.2, 0.05]), shift, 30)
    mended = mended_rig(rig, [check], {"picture": "0" * 64})
    assert mended.cameras[1] is rig.cameras[1]
    size = N_CAMERA
    np.testing.assert_array_equal(mended.covariance[size:, size:], rig.covariance[size:, size:])
    assert "mended picture" in mended.provenance.inputs and "registered anew" in mended.flags[-1]
    moved_m = mended.cameras[0].centre_m() - rig.cameras[0].centre_m()
    assert np.abs(moved_m - 1e-3 * shift).max() < 0.004
    u_old, u_new = (np.sqrt(np.diag(r.covariance)[:size][POSE]) for r in (rig, mended))
    assert (u_new > 0.9 * u_old).all() and (u_new < 2 * u_old).all()


def test_the_mended_pose_keeps_to_the_players_place(court: Court) -> None:
    """The aim: less than twice the error that the calibration itself had at the player."""
    from benchmarks.drift_detection import player_error_mm

    turn, shift = np.radians([0.3, -0.5, 0.2]), np.array([0.02, -0.01, 0.01])
    check = court.check(np.degrees(turn), 1e3 * shift, 31)
    assert check.fit is not None
    stands = nudged_camera(court.true, turn, shift)
    after = player_error_mm(moved_camera(court.camera, check.fit.motion), stands)
    assert after < 2 * player_error_mm(court.camera, court.true)


def exact_shifts(camera: Camera, stands: Camera, rng: np.random.Generator, sigma_px: float) -> list[Shifts]:
    """What a moved camera would measure of points on the court, with white noise and no pictures."""
    x = np.stack([rng.uniform(-5, 5, 400), rng.uniform(-1.5, 10, 400), np.zeros(400)], axis=1)
    before, after = camera.project(x), stands.project(x)
    size = np.array(camera.size_px)
    ok = np.isfinite(before).all(1) & np.isfinite(after).all(1)
    ok &= ((before > 0) & (before < size) & (after > 0) & (after < size)).all(1)
    angle = rng.uniform(0, np.pi, int(ok.sum()))
    normal = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    at = (normal * after[ok]).sum(1) + rng.normal(0, sigma_px, len(normal))
    count = len(at)
    return [
        Shifts("court surface", before[ok], normal, at, np.full(count, sigma_px), np.full(count, np.nan),
               np.zeros(count), None, np.full(count, -1.0))
    ]  # fmt: skip


def test_the_motions_covariance_is_honest() -> None:
    """Mean squared error in sigmas over 25 draws: 1 ± 4 standard deviations of its own scatter, or wider."""
    camera = scaled_camera(court_camera("left"), 0.5)
    turn, shift = np.radians([0.05, 0.1, -0.1]), np.array([0.004, 0.002, -0.003])
    stands = nudged_camera(camera, turn, shift)
    squares = []
    for seed in range(25):
        groups = exact_shifts(camera, stands, np.random.default_rng(seed), 0.1)
        fit = fit_motion(camera, np.zeros((N_CAMERA, N_CAMERA)), groups, no_motion(camera), 0.003)
        want = stands.cam_from_world @ camera.cam_from_world.inverse()
        error = np.concatenate([fit.motion.rotvec_rad() - want.rotvec_rad(), fit.motion.t_m - want.t_m])
        squares.append(error @ np.linalg.solve(fit.noise, error) / 6)
    # the noise holds 0.03 px shared by parts of the picture, which these shifts do not have: cautious, not bold
    assert 0.15 < np.mean(squares) < 1 + 4 * np.sqrt(2 / 6 / len(squares))


def test_a_calibration_error_enters_the_mended_pose_as_its_covariance_says() -> None:
    """The same shifts fitted from a slightly wrong registered camera: the pose changes as told."""
    camera = scaled_camera(court_camera("left"), 0.5)
    stands = nudged_camera(camera, np.radians([1.0, -2.0, 0.5]), np.array([0.05, 0.03, -0.04]))
    covariance = np.diag(CALIBRATION_U**2)
    groups = exact_shifts(camera, stands, np.random.default_rng(3), 0.02)
    fit = fit_motion(camera, covariance, groups, no_motion(camera), 0.003)
    rng = np.random.default_rng(4)
    step = 0.1 * CALIBRATION_U * rng.normal(0, 1, N_CAMERA)
    wrong = moved(camera, step)
    again = fit_motion(wrong, covariance, groups, no_motion(camera), 0.003)
    change = np.concatenate(
        [again.motion.rotvec_rad() - fit.motion.rotvec_rad(), again.motion.t_m - fit.motion.t_m]
    )
    predicted = fit.by_camera @ step
    assert np.linalg.norm(predicted[3:]) > 1e-6  # it does matter
    np.testing.assert_allclose(change, predicted, atol=0.05 * np.abs(predicted).max() + 1e-9)


def test_the_picture_with_arrows_says_what_was_found(court: Court) -> None:
    check = court.check(NONE, np.array([0.0, 5.0, 0.0]), 40)
    drawn = displacement_picture(court.camera, check, court.reference)
    height, width = court.reference.shape[:2]
    assert drawn.shape[1] == width and drawn.shape[0] > height
    paled = (0.55 * court.reference + 0.45 * 255).astype(np.uint8)
    inner = drawn[(drawn.shape[0] - height) // 2 :][:height]
    assert 0.02 < np.mean(np.any(inner != paled, axis=-1)) < 0.8
