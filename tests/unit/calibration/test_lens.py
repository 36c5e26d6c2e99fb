"""Lens calibration: right, honest about its uncertainty, repeatable, and clear about what is missing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.errors import BadInput, NotMeasurable
from calibration.geometry import Camera
from calibration.lens import LensCalibration, calibrate_lens
from calibration.views import BoardView
from tests.support.rig_worlds import (
    BOARD,
    SIZE_PX,
    court_camera,
    lens_views,
    parameter_error,
    squared_in_sigmas,
)

TRUE = court_camera("left")


def calibrated(views: list[BoardView]) -> LensCalibration:
    return calibrate_lens("left", views, BOARD, SIZE_PX, "left.mp4")


def test_exact_corners_give_the_exact_lens() -> None:
    lens = calibrated(lens_views(TRUE, 12, 0.0, np.random.default_rng(2)))
    np.testing.assert_allclose(lens.vector()[:4], [1004, 1005, 644, 355], atol=1e-3)
    np.testing.assert_allclose(lens.distortion, TRUE.distortion, atol=1e-4)
    assert lens.rms_px < 1e-3 and lens.views_used == 12


def test_covariance_is_honest() -> None:
    """30 invented lens recordings: the squared error in predicted sigmas must lie in its chi-square band."""
    rng = np.random.default_rng(7)
    total, freedom = 0.0, 0
    for _ in range(30):
        lens = calibrated(lens_views(TRUE, 10, 0.3, rng))
        squared, n = squared_in_sigmas(parameter_error(lens.as_camera(), TRUE)[:9], lens.covariance)
        total, freedom = total + squared, freedom + n
    assert freedom == 270
    assert chi2.ppf(0.001, freedom) < total < chi2.ppf(0.999, freedom), total / freedom


def test_same_views_same_bits() -> None:
    views = lens_views(TRUE, 10, 0.2, np.random.default_rng(5))
    a, b = calibrated(views), calibrated(views)
    assert np.array_equal(a.vector(), b.vector()) and np.array_equal(a.covariance, b.covariance)


def test_blurred_views_are_left_out() -> None:
    rng = np.random.default_rng(3)
    views = lens_views(TRUE, 12, 0.1, rng)
    spoiled = [BoardView(99 + i, 0.0, v.corners_px + rng.normal(0, 5, v.corners_px.shape), rise_px=9.0)
               for i, v in enumerate(views[:3])]  # fmt: skip
    lens = calibrated([*views, *spoiled])
    assert lens.views_used == 12 and lens.views_found == 15 and lens.rms_px < 0.2


def test_one_view_that_does_not_fit_is_dropped_and_flagged() -> None:
    rng = np.random.default_rng(4)
    views = lens_views(TRUE, 12, 0.1, rng)
    views[5] = BoardView(5, 5.0, views[5].corners_px + rng.normal(0, 4, (54, 2)), rise_px=2.0)
    lens = calibrated(views)
    assert lens.views_used == 11
    assert any("1 board views did not fit" in f for f in lens.flags)
    np.testing.assert_allclose(lens.vector()[:2], [1004, 1005], atol=3)


def test_too_few_views_say_how_many_and_where() -> None:
    with pytest.raises(BadInput, match=r"left\.mp4: found 5 usable views .* want at least 8"):
        calibrated(lens_views(TRUE, 5, 0.1, np.random.default_rng(0)))


def test_a_board_that_never_moves_is_named() -> None:
    one = lens_views(TRUE, 1, 0.0, np.random.default_rng(0))[0]
    rng = np.random.default_rng(1)
    still = [
        BoardView(i, float(i), one.corners_px + rng.normal(0, 0.1, (54, 2)), rise_px=2.0) for i in range(20)
    ]
    with pytest.raises(BadInput, match="always in the same place"):
        calibrated(still)


def test_a_board_that_is_never_tilted_does_not_fix_the_lens() -> None:
    """Fronto-parallel boards at one distance: focal length and distance trade off."""
    x = BOARD.points_m() - BOARD.centre_m()
    rng = np.random.default_rng(6)
    views = []
    for i, (dx, dy) in enumerate(rng.uniform(-0.25, 0.25, (12, 2))):
        uv = 1000 * (x[:, :2] + [dx, dy]) / 1.5 + [640, 360] + rng.normal(0, 0.3, (54, 2))
        views.append(BoardView(i, float(i), uv, rise_px=2.0))
    with pytest.raises((NotMeasurable, BadInput), match="tilt"):
        calibrated(views)


def test_coverage_counts_fields_of_the_picture() -> None:
    lens = calibrated(lens_views(TRUE, 20, 0.1, np.random.default_rng(9)))
    assert 0.6 < lens.coverage <= 1.0
    middle = [v for v in lens_views(TRUE, 200, 0.1, np.random.default_rng(9))
              if np.abs(v.corners_px - [640, 360]).max() < 300]  # fmt: skip
    small = calibrated(middle)
    assert small.coverage < 0.6 and any("extrapolated" in f for f in small.flags)


FISHEYE = Camera(
    "left", SIZE_PX, np.array([[520.0, 0, 644], [0, 521, 355], [0, 0, 1]]),
    np.array([0.03, -0.01, 0.004, -0.001]),
    TRUE.cam_from_world, "fisheye4",
)  # fmt: skip


@pytest.mark.parametrize(("true", "chosen"), [(TRUE, "radial5"), (FISHEYE, "fisheye4")])
def test_the_lens_model_is_chosen_by_what_it_predicts(true: Camera, chosen: str) -> None:
    """A lens near 1000 px takes the simplest model, an action camera's the equidistant one; both are said."""
    rng = np.random.default_rng(21)
    wide = {"distance_m": (0.4, 1.2), "reach": (1.5, 0.6)} if true is FISHEYE else {}
    views = lens_views(true, 30, 0.2, rng, **wide)
    lens = calibrated(views)
    assert lens.model == chosen and set(lens.held_out_px) >= {"radial5", chosen}
    assert lens.held_out_px[chosen] == pytest.approx(0.2 * np.sqrt(2), rel=0.15)
    if true is FISHEYE:
        assert lens.held_out_px["radial5"] > 1.2 * lens.held_out_px["fisheye4"]
        z = (lens.vector() - FISHEYE.lens_vector())[:4] / lens.u()[:4]
        assert np.abs(z).max() < 4
    assert calibrate_lens("left", views, BOARD, SIZE_PX, "left.mp4", model="rational8").model == "rational8"


def test_partly_seen_boards_count() -> None:
    rng = np.random.default_rng(22)
    views = []
    for v in lens_views(TRUE, 24, 0.2, rng):
        keep = np.flatnonzero(v.corners_px[:, 0] > np.quantile(v.corners_px[:, 0], 0.4))
        views.append(BoardView(v.index, v.t_s, v.corners_px[keep], rise_px=2.0, ids=keep))
    lens = calibrated(views)
    assert lens.views_used >= 20
    assert np.abs((lens.vector() - TRUE.lens_vector())[:4] / lens.u()[:4]).max() < 4


def test_a_bowed_board_is_noticed_and_said() -> None:
    rng = np.random.default_rng(23)
    lens = calibrated(lens_views(TRUE, 30, 0.2, rng, bow_m=np.array([0.002, 0.001])))
    assert any("the board is bowed by" in f for f in lens.flags), lens.flags
    assert np.abs((lens.bow_m - [0.002, 0.001]) / lens.bow_u_m).max() < 4
    flat = calibrated(lens_views(TRUE, 30, 0.2, rng))
    assert not any("bowed" in f for f in flat.flags)
    assert np.abs(flat.bow_m / flat.bow_u_m).max() < 4
