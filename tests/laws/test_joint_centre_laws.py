"""Laws of the correction: it moves with rigid motions, is mirrored with a mirrored body, and scales with it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from recon.detector_study import USUAL_MODE, study_of
from recon.joints import to_joint_centres
from recon.records import KEYPOINTS, Motion, PointStatus
from tests.support.example_motion import invented_motion

STUDY = study_of(USUAL_MODE)
TIMES, XYZ = (a[::24] for a in invented_motion("right")[:2])


def corrected(xyz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points after the correction, and the covariance of what it leaves."""
    cov = np.broadcast_to(np.eye(3) * 1e-6, (*xyz.shape, 3))
    status = np.full(xyz.shape[:2], PointStatus.OK, np.int8)
    status[np.isnan(xyz).any(axis=2)] = PointStatus.TOO_FEW_VIEWS
    motion = Motion("court", KEYPOINTS, TIMES, xyz, np.where(np.isnan(xyz), np.nan, 0.0), cov, status)
    moved, centres = to_joint_centres(motion, STUDY)
    return moved.xyz_m, centres.roots_m @ centres.roots_m.swapaxes(-1, -2)


def mirror_names(xyz: np.ndarray) -> np.ndarray:
    """Left and right exchanged."""
    other = {"left": "right", "right": "left"}
    swapped = ["_".join(other.get(w, w) for w in name.split("_")) for name in KEYPOINTS]
    return xyz[:, [KEYPOINTS.index(name) for name in swapped]]


@settings(max_examples=15)
@given(st.tuples(*[st.floats(-3, 3)] * 3), st.tuples(*[st.floats(-5, 5)] * 3))
def test_a_rigid_motion_of_the_body_moves_the_correction_with_it(turn, shift):
    R = Rotation.from_rotvec(turn).as_matrix()
    plain, left = corrected(XYZ)
    moved, left_moved = corrected(XYZ @ R.T + shift)
    np.testing.assert_allclose(moved, plain @ R.T + shift, atol=1e-9)
    np.testing.assert_allclose(left_moved, R @ left @ R.T, atol=1e-9)


def test_a_mirrored_body_is_corrected_like_its_mirror_image():
    M = np.diag([-1.0, 1.0, 1.0])
    plain, left = corrected(XYZ)
    mirrored, left_mirrored = corrected(mirror_names(XYZ) @ M)
    np.testing.assert_allclose(mirrored, mirror_names(plain) @ M, atol=1e-9)
    np.testing.assert_allclose(left_mirrored, M @ mirror_names(left) @ M, atol=1e-9)


@settings(max_examples=10)
@given(st.floats(0.5, 1.2))
def test_a_smaller_body_gets_a_smaller_correction(size):
    plain, _ = corrected(XYZ)
    small, _ = corrected(size * XYZ)
    np.testing.assert_allclose(small, size * plain, atol=1e-9)


def test_velocities_stay_the_time_derivative_of_positions():
    x = np.array(XYZ)
    cov = np.broadcast_to(np.eye(3) * 1e-6, (*x.shape, 3))
    velocity = np.gradient(x, TIMES, axis=0)
    motion = Motion("court", KEYPOINTS, TIMES, x, velocity, cov, np.zeros(x.shape[:2], np.int8))
    moved, _ = to_joint_centres(replace(motion), STUDY)
    np.testing.assert_allclose(moved.velocity_m_s, np.gradient(moved.xyz_m, TIMES, axis=0), atol=1e-9)
