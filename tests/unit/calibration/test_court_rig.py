"""A rig placed by court points alone: right, honest, and naming what is wrong with clicks, pictures, lenses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from calibration.calibrated_rig import CalibratedRig
from calibration.court.clicks import Click
from calibration.court.model import SERVE_VOLUME
from calibration.court.uncertainty import u_over_volume
from calibration.court_rig import place_by_court, player_u_m, points_wanted
from calibration.errors import BadInput
from calibration.folder import read_rig_folder
from calibration.geometry import Camera
from calibration.geometry.camera import N_CAMERA, POSE
from calibration.kept_lens import FOCAL_U_LIMIT, judge_lens, lens_for_size
from calibration.provenance import Provenance
from tests.support.court_worlds import OPTIONS, drawn_clicks, drawn_lens, measured_lens, zoomed
from tests.support.rig_toml import rig_toml
from tests.support.rig_worlds import SIZE_PX, court_cameras, parameter_error, squared_in_sigmas

TRUE = court_cameras(("left", "right"))
LENSES = [measured_lens(c, np.random.default_rng(i)) for i, c in enumerate(TRUE)]
EIGHT = ("baseline_centre", "baseline_left_singles", "baseline_right_singles", "service_left_singles",
         "service_right_singles", "service_centre", "far_service_centre", "net_centre_top")  # fmt: skip


def placed(cameras: Sequence[Camera], seed: int, clicks: list[Click] | None = None) -> CalibratedRig:
    """The rig from lenses and clicks drawn from their uncertainties; `cameras` made the pictures."""
    rng = np.random.default_rng(seed)
    lenses = [drawn_lens(c, lens, rng) for c, lens in zip(TRUE, LENSES, strict=True)]
    clicks = drawn_clicks(cameras, rng) if clicks is None else clicks
    return place_by_court("invented", lenses, clicks, Provenance("test"), OPTIONS)


def changed(clicks: list[Click], camera: str, to: object) -> list[Click]:
    """The clicks of one camera moved: to(uv) → uv."""
    return [replace(c, uv_px=to(c.uv_px)) if c.camera == camera else c for c in clicks]


def off_m(rig: CalibratedRig, cameras: Sequence[Camera] = TRUE) -> float:
    return max(
        float(np.linalg.norm(a.centre_m() - b.centre_m())) for a, b in zip(rig.cameras, cameras, strict=True)
    )


def points_met(rig: CalibratedRig, x_m: np.ndarray) -> np.ndarray:
    """Where exact pixels of the true cameras meet in the estimated ones, by Gauss-Newton."""
    y = x_m.copy()
    for _ in range(4):
        normal, right = np.zeros((len(y), 3, 3)), np.zeros((len(y), 3))
        for estimate, true in zip(rig.cameras, TRUE, strict=True):
            uv, by_point = estimate.project_with_jacobian(y)
            normal += np.swapaxes(by_point, -1, -2) @ by_point
            right += np.einsum("nij,ni->nj", by_point, true.project(x_m) - uv)
        y = y + np.linalg.solve(normal, right[..., None])[..., 0]
    return y


def test_covariance_is_honest_over_a_hundred_days() -> None:
    """Lenses, points and clicks drawn from their uncertainties: poses in the chi-square band, u as stated."""
    grid, _ = u_over_volume(TRUE, np.zeros((2 * N_CAMERA,) * 2), SERVE_VOLUME)
    rows = np.concatenate([np.arange(N_CAMERA * i, N_CAMERA * (i + 1))[POSE] for i in range(2)])
    total, freedom, missed, predicted = 0.0, 0, [], []
    seen = np.all([np.isfinite(c.project(grid)).all(axis=1) for c in TRUE], axis=0)
    for camera in TRUE:
        uv = camera.project(grid)
        seen &= (uv > -0.5).all(axis=1) & (uv < np.array(SIZE_PX) - 0.5).all(axis=1)
    for seed in range(100):
        rng = np.random.default_rng(500 + seed)
        rig = placed(TRUE, seed, drawn_clicks(TRUE, rng, EIGHT))
        error = np.concatenate([parameter_error(a, b) for a, b in zip(rig.cameras, TRUE, strict=True)])
        squared, n = squared_in_sigmas(error[rows], rig.covariance[np.ix_(rows, rows)])
        total, freedom = total + squared, freedom + n
        missed.append(((points_met(rig, grid[seen]) - grid[seen]) ** 2).sum(axis=1).mean())
        known = player_u_m(rig)
        assert known is not None
        predicted.append(known[0] ** 2)
    assert freedom == 100 * 12
    assert chi2.ppf(0.001, freedom) < total < chi2.ppf(0.999, freedom), total / freedom
    assert np.sqrt(np.mean(missed) / np.mean(predicted)) == pytest.approx(1.0, abs=0.2)


def test_a_wrong_click_in_every_picture_is_named() -> None:
    clicks = drawn_clicks(TRUE, np.random.default_rng(3))
    for camera in ("left", "right"):
        i = next(i for i, c in enumerate(clicks) if c.camera == camera and c.point == "service_centre")
        clicks[i] = replace(clicks[i], uv_px=clicks[i].uv_px + [16.0, -7.0])
    rig = placed(TRUE, 3, clicks)
    assert rig.court is not None
    unused = [(c.camera, c.point) for c in rig.court.clicks if not c.used]
    assert unused == [("left", "service_centre"), ("right", "service_centre")] and len(rig.flags) == 2
    assert all("service_centre" in f and "left out" in f for f in rig.flags) and off_m(rig) < 0.04


@pytest.mark.parametrize("scale", [0.6, 1.012, 1.3])
def test_a_zoom_is_named_and_its_focal_length_found(scale: float) -> None:
    rig = placed((zoomed(TRUE[0], scale), TRUE[1]), 5)
    (flag,) = [f for f in rig.flags if "refocused" in f]
    assert flag.startswith("left: refocused or zoomed since its lens was measured: focal length")
    u = float(np.sqrt(rig.covariance[0, 0]))
    assert u / rig.cameras[0].K_px[0, 0] < FOCAL_U_LIMIT and "the new value is used" in flag
    assert abs(rig.cameras[0].K_px[0, 0] - scale * TRUE[0].K_px[0, 0]) < 3.5 * u
    assert off_m(rig) < 0.08  # a zoom left unnoticed puts the camera off by decimetres, or metres


def test_a_lens_that_still_holds_is_kept() -> None:
    assert [placed(TRUE, seed).flags for seed in range(6)] == [()] * 6


def test_another_crop_is_told_from_a_zoom() -> None:
    rig = placed((zoomed(TRUE[0], 1.2, (90.0, -40.0)), TRUE[1]), 6)
    assert rig.flags[0].startswith("left: filmed in another crop or video mode since")
    u = np.sqrt(np.diag(rig.covariance)[2:4])
    miss = rig.cameras[0].K_px[:2, 2] - TRUE[0].K_px[:2, 2] - [90.0, -40.0]
    assert (np.abs(miss) < 3.5 * u).all()


def test_clicks_that_no_lens_explains_are_flagged() -> None:
    rng = np.random.default_rng(8)
    clicks = changed(drawn_clicks(TRUE, rng), "left", lambda uv: uv + rng.normal(0, 1.8, 2))
    rig = placed(TRUE, 8, clicks)
    assert any(f.startswith("left: the clicks do not fit its lens") and "do not rely" in f for f in rig.flags)


@pytest.mark.parametrize("net", [True, False])
def test_a_mirrored_picture_is_refused(net: bool) -> None:
    clicks = drawn_clicks(TRUE, np.random.default_rng(9))
    clicks = [c for c in clicks if net or "top" not in c.point]
    flipped = changed(clicks, "left", lambda uv: np.array([SIZE_PX[0] - 1 - uv[0], uv[1]]))
    with pytest.raises(BadInput, match=r"left sees the court mirrored: .* or left and right were exchanged"):
        placed(TRUE, 9, flipped)


def test_a_picture_on_its_head_is_flagged() -> None:
    clicks = drawn_clicks(TRUE, np.random.default_rng(10))
    rig = placed(TRUE, 10, changed(clicks, "right", lambda uv: np.array(SIZE_PX) - 1 - uv))
    assert "right: its picture stands on its head (turned by 180 degrees)" in rig.flags


def test_exchanged_pictures_are_refused() -> None:
    longer = (zoomed(TRUE[0], 1.25), TRUE[1])
    rng = np.random.default_rng(11)
    own = [drawn_lens(c, lens, rng) for c, lens in zip(longer, LENSES, strict=True)]
    clicks = drawn_clicks(longer, rng)
    right = place_by_court("r", own, clicks, Provenance("test"), OPTIONS)
    assert right.flags == () and off_m(right, longer) < 0.06
    exchanged = [replace(own[1], camera="left"), replace(own[0], camera="right")]
    with pytest.raises(BadInput, match="the pictures of left and right are exchanged"):
        place_by_court("r", exchanged, clicks, Provenance("test"), OPTIONS)


def test_a_scaled_picture_scales_the_lens_exactly() -> None:
    half = lens_for_size(LENSES[0], (640, 360))
    x = np.array([[0.3, -0.2, 2.0], [-0.5, 0.1, 1.5]])
    whole = LENSES[0].as_camera().project(x)
    np.testing.assert_allclose(half.as_camera().project(x) + 0.5, (whole + 0.5) / 2, atol=1e-12)
    np.testing.assert_allclose(half.u()[:4], LENSES[0].u()[:4] / 2)
    assert (
        half.flags[-1] == "left: lens measured at 1280x720, used at 640x360: scaled, the same field is assumed"
    )
    assert lens_for_size(LENSES[0], SIZE_PX) is LENSES[0]


def test_a_turned_picture_is_refused_and_a_crop_is_centred() -> None:
    with pytest.raises(BadInput, match=r"turned by 90 degrees: .* 1280x720, this is 720x1280"):
        lens_for_size(LENSES[0], (720, 1280))
    crop = lens_for_size(LENSES[0], (960, 720))
    np.testing.assert_allclose(crop.K_px[:2, 2], LENSES[0].K_px[:2, 2] - [160, 0])
    assert "taken as a crop" in crop.flags[-1]


def test_too_few_points_of_a_camera_say_how_many() -> None:
    clicks = drawn_clicks(TRUE, np.random.default_rng(12))
    kept = [c for c in clicks if c.camera == "left" or c.point in ("baseline_centre", "service_centre")]
    with pytest.raises(BadInput, match=r"right has 2 of the 4 points that it needs at least \(better 8\)"):
        placed(TRUE, 12, kept)
    assert points_wanted(("left", "right"), kept) == {"left": 0, "right": 6}
    line = [c for c in clicks if c.camera == "left" or c.point.startswith(("baseline", "service_centre"))]
    line = [c for c in line if c.camera == "left" or "service" not in c.point]
    with pytest.raises(BadInput, match=r"right (\(|has|.*lie on one line)"):
        placed(TRUE, 12, line)


def test_four_points_are_taken_as_they_are() -> None:
    """Nothing is left over to doubt the lens with, and the uncertainty shows it."""
    four = ("baseline_centre", "baseline_left_singles", "service_left_singles", "service_centre")
    few = placed(TRUE, 13, drawn_clicks(TRUE, np.random.default_rng(13), four))
    many = placed(TRUE, 13)
    assert judge_lens(LENSES[0], drawn_clicks(TRUE, np.random.default_rng(13), four), OPTIONS).how == "kept"
    known, better = player_u_m(few), player_u_m(many)
    assert known is not None and better is not None and known[0] > 1.5 * better[0]


@pytest.mark.parametrize(
    ("keys", "wanted"),
    [("", "got neither"), ('lens = "a.json"\nlens_footage = "a.mp4"', "got both")],
)
def test_a_camera_has_either_a_kept_lens_or_footage(keys: str, wanted: str, tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(rig_toml({"left": 'lens = "kept/left.json"'}))
    folder = read_rig_folder(tmp_path)
    assert (
        folder.lens_path("left") == tmp_path / "kept" / "left.json" and folder.cameras[0].lens_footage is None
    )
    (tmp_path / "rig.toml").write_text(rig_toml({"left": keys}))
    with pytest.raises(BadInput, match=f"left: want either lens_footage or lens .*, {wanted}"):
        read_rig_folder(tmp_path)
