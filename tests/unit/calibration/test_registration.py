"""Court registration: right, honest, and naming wrong, missing and useless clicks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.bundle import moved
from calibration.calibrated_rig import CalibratedRig
from calibration.court.clicks import Click
from calibration.court.model import COURT_POINTS_M, SERVE_VOLUME
from calibration.court.registration import CourtOptions, register_court
from calibration.court.uncertainty import point_covariance_m2, u_over_volume
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry import Camera
from calibration.geometry.camera import N_CAMERA, POSE
from calibration.provenance import Provenance
from tests.support.rig_worlds import court_cameras, parameter_error, rig_cameras, squared_in_sigmas

U = np.array([0.3, 0.3, 0.3, 0.3, 1e-3, 3e-3, 1e-4, 1e-4, 3e-3, 0, 0, 0, 2e-4, 2e-4, 2e-4, 2e-3, 2e-3, 2e-3])


def rig_covariance(n: int) -> np.ndarray:
    u = np.tile(U, n)
    u[POSE] = 0.0  # the gauge
    return np.diag(u**2)


def rig_of(cameras: tuple[Camera, ...]) -> CalibratedRig:
    return CalibratedRig("r", "rig", cameras, rig_covariance(len(cameras)), Provenance("test"))


def clicks_on(
    cameras: tuple[Camera, ...],
    sigma_px: float,
    rng: np.random.Generator,
    shift_m: dict[str, np.ndarray] | None = None,
) -> list[Click]:
    out = []
    for camera in cameras:
        for name, x in COURT_POINTS_M.items():
            uv = camera.project(np.array(x) + (shift_m or {}).get(name, 0.0))
            if np.isfinite(uv).all() and (uv > 5).all() and (uv < np.array(camera.size_px) - 6).all():
                out.append(Click(camera.name, name, uv + rng.normal(0, sigma_px, 2)))
    return out


TRUE = court_cameras()
RIG = rig_of(rig_cameras(TRUE))
EXACT = clicks_on(TRUE, 0.0, np.random.default_rng(0))


def off_m(rig: CalibratedRig) -> float:
    """Largest miss of a camera's centre."""
    return max(
        float(np.linalg.norm(a.centre_m() - b.centre_m())) for a, b in zip(rig.cameras, TRUE, strict=True)
    )


def test_exact_clicks_give_the_exact_place() -> None:
    placed = register_court(RIG, EXACT)
    assert placed.frame == "court" and off_m(placed) < 1e-6
    assert placed.court is not None and placed.court.rms_px < 1e-6 and placed.flags == ()
    assert placed.court.free_scale == pytest.approx(1.0, abs=1e-9)


def test_covariance_is_honest() -> None:
    """Rig, paint and clicks all drawn from their uncertainties: squared error in its chi-square band."""
    rng = np.random.default_rng(21)
    total, freedom = 0.0, 0
    names = ("left", "right")
    true = court_cameras(names)
    points = ("baseline_centre", "baseline_left_singles", "baseline_right_singles", "service_centre",
              "service_left_singles", "net_right_doubles")  # fmt: skip
    for _ in range(15):
        step = rng.normal(0, 1, 2 * N_CAMERA) * np.sqrt(np.diag(rig_covariance(2)))
        wrong = tuple(moved(c, s) for c, s in zip(rig_cameras(true), step.reshape(2, N_CAMERA), strict=True))
        shift = {p: np.array([*rng.normal(0, 0.003, 2), 0.0]) for p in points}
        clicks = [c for c in clicks_on(true, 0.7, rng, shift) if c.point in points]
        placed = register_court(rig_of(wrong), clicks)
        error = np.concatenate([parameter_error(a, b) for a, b in zip(placed.cameras, true, strict=True)])
        squared, n = squared_in_sigmas(error, placed.covariance)
        total, freedom = total + squared, freedom + n
    assert freedom == 15 * 30
    assert chi2.ppf(0.001, freedom) < total < chi2.ppf(0.999, freedom), total / freedom


def test_a_gross_misclick_is_named_and_left_out() -> None:
    clicks = clicks_on(TRUE, 0.5, np.random.default_rng(3))
    wrong = next(i for i, c in enumerate(clicks) if c.camera == "right" and c.point == "service_centre")
    clicks[wrong] = Click("right", "service_centre", clicks[wrong].uv_px + np.array([30.0, -12.0]))
    placed = register_court(RIG, clicks)
    assert placed.court is not None
    unused = [(r.camera, r.point) for r in placed.court.clicks if not r.used]
    assert unused == [("right", "service_centre")]
    assert any("service_centre in right is 3" in f for f in placed.flags)
    assert off_m(placed) < 0.02


def test_two_swapped_names_are_both_found() -> None:
    clicks = clicks_on(TRUE, 0.5, np.random.default_rng(4))
    at = {c.point: i for i, c in enumerate(clicks) if c.camera == "left"}
    a, b = at["baseline_right_singles"], at["baseline_right_doubles"]
    clicks[a], clicks[b] = (
        Click("left", "baseline_right_singles", clicks[b].uv_px),
        Click("left", "baseline_right_doubles", clicks[a].uv_px),
    )
    placed = register_court(RIG, clicks)
    assert placed.court is not None
    unused = {r.point for r in placed.court.clicks if not r.used}
    assert unused == {"baseline_right_singles", "baseline_right_doubles"} and off_m(placed) < 0.02


def test_points_seen_in_pairs_only_are_enough() -> None:
    """Three points in each of two pictures: no picture alone places the court."""
    points = ("baseline_centre", "service_centre", "baseline_right_singles")
    clicks = [c for c in EXACT if c.camera in ("left", "right") and c.point in points]
    assert len(clicks) == 6
    assert off_m(register_court(RIG, clicks)) < 1e-5


@pytest.mark.parametrize(
    ("points", "wanted"),
    [
        (("baseline_centre", "service_centre"), "want at least 3 different points .* got 2"),
        (("baseline_centre", "baseline_left_singles", "baseline_right_singles"), "lie on one line"),
    ],
)
def test_useless_clicks_say_what_is_missing(points: tuple[str, ...], wanted: str) -> None:
    with pytest.raises(BadInput, match=wanted):
        register_court(RIG, [c for c in EXACT if c.point in points])


def test_contradicting_clicks_are_refused() -> None:
    rng = np.random.default_rng(5)
    clicks = [Click(c.camera, c.point, rng.uniform((50, 50), (1200, 650))) for c in EXACT]
    with pytest.raises(BadInput, match=r"contradict each other|leave the rig free"):
        register_court(RIG, clicks)


def test_clicks_outside_the_picture_twice_or_by_strangers() -> None:
    with pytest.raises(BadInput, match="want a pixel inside 1280x720, got 1300, 5"):
        register_court(RIG, [*EXACT, Click("left", "far_baseline_centre", np.array([1300.0, 5.0]))])
    with pytest.raises(BadInput, match="is clicked twice in left"):
        register_court(RIG, [*EXACT, EXACT[0]])
    with pytest.raises(BadInput, match="no camera 'top'"):
        register_court(RIG, [Click("top", "baseline_centre", np.array([1.0, 1.0]))])
    with pytest.raises(BadInput, match="want a rig in its own frame"):
        register_court(register_court(RIG, EXACT), EXACT)


def test_a_wrong_square_size_is_noticed() -> None:
    """A rig one percent too large (a board measured wrongly) still fits somewhere; the free scale tells."""
    big = tuple(c.placed(replace(c.cam_from_world, t_m=1.01 * c.cam_from_world.t_m)) for c in rig_cameras(TRUE))
    placed = register_court(rig_of(big), clicks_on(TRUE, 0.3, np.random.default_rng(6)))
    assert any("check the board's square size" in f for f in placed.flags)


def test_more_clicks_less_uncertainty() -> None:
    few = register_court(RIG, [c for c in EXACT if "centre" in c.point or c.point == "service_left_singles"])
    many = register_court(RIG, EXACT)
    assert few.court is not None and many.court is not None
    assert many.court.worst_u_m is not None and few.court.worst_u_m is not None
    assert 0 < many.court.worst_u_m < few.court.worst_u_m


def test_uncertainty_in_the_volume_against_monte_carlo() -> None:
    """The predicted covariance of a triangulated point against 300 rigs drawn from the rig's covariance."""
    placed = register_court(RIG, EXACT)
    x = np.array([0.3, 0.2, 2.0])
    predicted = point_covariance_m2(placed.cameras, placed.covariance, x)
    rng = np.random.default_rng(8)
    root = np.linalg.cholesky(placed.covariance + 1e-18 * np.eye(3 * N_CAMERA))
    met = []
    for _ in range(300):
        wrong = [
            moved(c, s)
            for c, s in zip(
                placed.cameras, (root @ rng.normal(size=root.shape[1])).reshape(3, N_CAMERA), strict=True
            )
        ]
        met.append(triangulated(wrong, [c.project(x) for c in placed.cameras], x))
    ratio = np.trace(np.cov(np.array(met).T)) / np.trace(predicted)
    assert 0.8 < ratio < 1.25


def triangulated(cameras: list[Camera], pixels: list[np.ndarray], start: np.ndarray) -> np.ndarray:
    x = np.array(start)
    for _ in range(5):
        a, b = np.zeros((3, 3)), np.zeros(3)
        for camera, uv in zip(cameras, pixels, strict=True):
            predicted, by_point = camera.project_with_jacobian(x)
            a += by_point.T @ by_point
            b += by_point.T @ (uv - predicted)
        x = x + np.linalg.solve(a, b)
    return x


def test_a_point_seen_by_one_camera_has_no_uncertainty_to_report() -> None:
    with pytest.raises(NotMeasurable, match="seen by 1 camera"):
        point_covariance_m2(TRUE[:1], np.eye(N_CAMERA), np.array([0.0, 0.0, 1.0]))
    grid, u = u_over_volume(TRUE[:1], np.eye(N_CAMERA), SERVE_VOLUME)
    assert len(grid) == len(u) and np.isnan(u).all()


@pytest.mark.parametrize("bad", [{"click_u_px": 0.0}, {"paint_u_m": -0.1}])
def test_options_are_checked(bad: dict[str, float]) -> None:
    with pytest.raises(BadInput, match="want"):
        CourtOptions(**bad)
