"""A real stereo set with a published calibration, through this project's own lens and rig solve.

Pictures: 13 pairs of a 9 x 6 board of 30 mm squares, carried by Debian's package opencv-doc (left01.jpg to
right14.jpg; there is no 10). Published answer: Bouguet J-Y, Camera Calibration Toolbox, stereo example. That
toolbox prints about three standard deviations; a third of what it prints is used as its standard uncertainty.
Those of the lenses are not at hand here, so theirs are taken as large as ours.

Both answers come from the same pictures, so part of their errors is common and the combined u is on the
cautious side: agreement within it shows that nothing is wrong by more than the noise, not that the noise is as
small as stated (the Monte Carlo tests show that).
"""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from calibration.board import Board
from calibration.calibrated_rig import CalibratedRig
from calibration.geometry.camera import N_CAMERA
from calibration.lens import LensCalibration, calibrate_lens
from calibration.provenance import Provenance
from calibration.rig import calibrate_rig
from calibration.shared import match_set, read_board_footage
from calibration.views import scan_boards
from tests.support.stereo_pictures import stereo_pictures

BOARD = Board(9, 6, 0.030)
LENS_FOCAL_CENTRE = {"left": (533.52331, 533.52700, 341.60377, 235.19287),
                     "right": (536.81377, 536.47649, 326.28655, 250.10122)}  # fmt: skip
LENS_RADIAL = {"left": (-0.28838, 0.09714), "right": (-0.28943, 0.10690)}
LENS_TANGENTIAL = {"left": (0.00109, -0.00030), "right": (-0.00059, 0.00014)}
TURN_RAD, TURN_3U_RAD = np.array([0.00669, 0.00452, -0.00350]), np.array([0.00270, 0.00308, 0.00029])
SHIFT_MM, SHIFT_3U_MM = np.array([-99.80198, 1.12443, 0.05041]), np.array([0.142, 0.114, 0.498])


@pytest.fixture(scope="module")
def solved(tmp_path_factory: pytest.TempPathFactory) -> CalibratedRig:
    source, folder = stereo_pictures(), tmp_path_factory.mktemp("stereo")
    lenses, footage = [], {}
    for side in ("left", "right"):
        (folder / side).mkdir()
        for picture in sorted(source.glob(f"{side}[0-9][0-9].jpg")):
            shutil.copy(picture, folder / side / picture.name.removeprefix(side))
        scan = scan_boards(folder / side, BOARD, rate_hz=1, refine=True)
        lens = calibrate_lens(side, scan.views, BOARD, scan.size_px, side)
        assert lens.views_used == 13
        lenses.append(unweighted(lens))
        footage[side] = read_board_footage(folder / side, BOARD)
    joined = match_set(footage, {lens.camera: lens.as_camera() for lens in lenses}, BOARD)
    assert len(joined.views) == 13
    return calibrate_rig("stereo", lenses, joined.views, joined.placements, BOARD, Provenance("test")).rig


def unweighted(lens: LensCalibration) -> LensCalibration:
    """A start only: the joint solve sees the same pictures again and must not count them twice."""
    return LensCalibration(
        lens.camera, lens.size_px, lens.K_px, lens.distortion, lens.covariance * 1e4, lens.rms_px,
        lens.view_rms_px, lens.views_found, lens.coverage,
    )  # fmt: skip


def test_corners_fit_better_than_a_plain_stereo_solve(solved: CalibratedRig) -> None:
    # 0.215 px: a plain OpenCV stereo solve of the same pictures
    assert max(solved.camera_rms_px) < 0.215


def test_placement_of_the_right_camera(solved: CalibratedRig) -> None:
    pose, u = solved.cameras[1].cam_from_world, np.sqrt(np.diag(solved.covariance))[-6:]
    turn_z = (pose.rotvec_rad() - TURN_RAD) / np.hypot(u[:3], TURN_3U_RAD / 3)
    shift_z = (1e3 * pose.t_m - SHIFT_MM) / np.hypot(1e3 * u[3:], SHIFT_3U_MM / 3)
    assert np.abs(turn_z).max() < 3 and np.abs(shift_z).max() < 3, (turn_z, shift_z)
    # the u themselves are of the published size: neither optimistic nor blown up
    ratio = np.concatenate([u[:3] / (TURN_3U_RAD / 3), 1e3 * u[3:] / (SHIFT_3U_MM / 3)])
    assert (ratio > 0.5).all() and (ratio < 2).all(), ratio


@pytest.mark.parametrize("side", ["left", "right"])
def test_focal_lengths_and_centres(solved: CalibratedRig, side: str) -> None:
    i = solved.names.index(side)
    k, u = solved.cameras[i].K_px, np.sqrt(np.diag(solved.covariance))[N_CAMERA * i : N_CAMERA * i + 4]
    got = np.array([k[0, 0], k[1, 1], k[0, 2], k[1, 2]])
    z = (got - LENS_FOCAL_CENTRE[side]) / (np.sqrt(2) * u)
    assert np.abs(z).max() < 3, z


@pytest.mark.parametrize("side", ["left", "right"])
def test_distortion_curves(solved: CalibratedRig, side: str) -> None:
    """k1 and k2 alone cannot be compared with a model that lacks k3; the displacement at a radius can."""
    i = solved.names.index(side)
    camera, covariance = (
        solved.cameras[i],
        solved.covariance[N_CAMERA * i + 4 : N_CAMERA * i + 9, N_CAMERA * i + 4 : N_CAMERA * i + 9],
    )
    for r in (0.2, 0.4, 0.5):
        terms = np.array([r**3, r**5, 0, 0, r**7])
        ours, published = terms @ camera.distortion, terms[:2] @ LENS_RADIAL[side]
        z = (ours - published) / np.sqrt(2 * terms @ covariance @ terms)
        assert abs(z) < 3, (r, z)
    tangential_z = (camera.distortion[2:4] - LENS_TANGENTIAL[side]) / np.sqrt(2 * np.diag(covariance)[2:4])
    assert np.abs(tangential_z).max() < 3, tangential_z
