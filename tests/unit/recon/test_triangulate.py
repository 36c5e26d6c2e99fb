"""Points from views: exact, best possible, robust, and honest about what it cannot tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration import BadInput
from calibration.geometry import Camera, Rigid
from recon.records import PointStatus
from recon.triangulate import TriangulateOptions, triangulate
from tests.support.world import three_cameras

CAMERAS = three_cameras()


def pixels(points: np.ndarray) -> np.ndarray:
    return np.stack([camera.project(points) for camera in CAMERAS], axis=1)


def in_the_serve_volume(rng: np.random.Generator, count: int) -> np.ndarray:
    return rng.uniform([-1, -0.6, 0.0], [1, 1, 3.0], (count, 3))


def test_exact_pixels_return_the_point(rng):
    points = in_the_serve_volume(rng, 200)
    found = triangulate(CAMERAS, pixels(points), np.ones((200, 3)))
    assert (found.status == PointStatus.OK).all()
    np.testing.assert_allclose(found.xyz_m, points, atol=1e-9)


def test_camera_order_does_not_matter(rng):
    points = in_the_serve_volume(rng, 50)
    uv = pixels(points) + rng.normal(0, 2, (50, 3, 2))
    sigma = np.full((50, 3), 2.0)
    order = [2, 0, 1]
    one = triangulate(CAMERAS, uv, sigma)
    other = triangulate([CAMERAS[k] for k in order], uv[:, order], sigma[:, order])
    np.testing.assert_allclose(one.xyz_m, other.xyz_m, atol=1e-7)


def test_error_is_the_stated_covariance(rng):
    """Normalised squared error of 2,000 points: mean 3 within three standard errors (chi-square, 3 degrees)."""
    points = in_the_serve_volume(rng, 2000)
    sigma = np.where(rng.random((2000, 3)) < 0.5, 1.0, 3.0)
    uv = pixels(points) + rng.standard_normal((2000, 3, 2)) * sigma[..., None]
    found = triangulate(CAMERAS, uv, sigma, TriangulateOptions(gate_sigma=50))
    miss = found.xyz_m - points
    squared = np.einsum("ni,nij,nj->n", miss, np.linalg.inv(found.cov_m2), miss)
    assert squared.mean() == pytest.approx(3.0, abs=3 * np.sqrt(6 / 2000))


def test_one_wrong_view_is_left_out(rng):
    points = in_the_serve_volume(rng, 100)
    uv = pixels(points) + rng.normal(0, 0.5, (100, 3, 2))
    uv[:, 1] += [0.0, 80.0]
    found = triangulate(CAMERAS, uv, np.full((100, 3), 0.5))
    assert not found.views[:, 1].any()
    assert np.linalg.norm(found.xyz_m - points, axis=1).max() < 0.05


def test_what_cannot_be_told_says_why(rng):
    points = in_the_serve_volume(rng, 4)
    uv = pixels(points)
    uv[0, 1:] = np.nan  # seen once
    uv[1, 2] = np.nan
    uv[1, 1] += [0.0, 150.0]  # two views that contradict each other
    sigma = np.where(np.isnan(uv[..., 0]), np.nan, 1.0)
    found = triangulate(CAMERAS, uv, sigma)
    assert list(found.status[:2]) == [PointStatus.TOO_FEW_VIEWS, PointStatus.OUTLIER]
    assert np.isnan(found.xyz_m[:2]).all()
    assert (found.status[2:] == PointStatus.OK).all()


def test_nearly_parallel_rays_are_weak():
    camera = CAMERAS[0]
    beside = camera.placed(type(camera.cam_from_world)(
        camera.cam_from_world.R, camera.cam_from_world.t_m + [0.05, 0, 0], "cam_rear_left", "court"
    ))  # fmt: skip
    point = np.array([[0.0, 0.2, 1.2]])
    uv = np.stack([camera.project(point), beside.project(point)], axis=1)
    found = triangulate([camera, beside], uv, np.ones((1, 2)))
    assert found.status[0] == PointStatus.WEAK_PARALLAX


def test_wrong_shapes_are_named():
    with pytest.raises(BadInput, match="uv_px"):
        triangulate(CAMERAS, np.zeros((5, 2, 2)), np.ones((5, 2)))
    with pytest.raises(BadInput, match="gate_sigma"):
        TriangulateOptions(gate_sigma=0)


def two_beside_each_other(apart_m: float) -> list[Camera]:
    """Without lens terms, at x = 0 and x = apart_m, looking along z: the rig frame is the first camera's."""
    K = np.array([[1000.0, 0, 500], [0, 1000.0, 400], [0, 0, 1]])
    return [
        Camera(n, (1001, 801), K, np.zeros(5), Rigid(np.eye(3), np.array([-x, 0, 0]), f"cam_{n}", "rig"))
        for n, x in (("a", 0.0), ("b", apart_m))
    ]


def test_by_hand():
    """Two cameras 1 m apart, the point 10 m ahead of the first: at u = 500 and 400; 1 px of parallax is 0.1 m.

    Sigma 1 px each. Depth z = 1000 / (u_a − u_b), so that u_z = z² / 1000 · √2 = 0.1414 m. Across, x is read
    by the first camera alone through z, x = z (u_a − 500) / 1000, of which the least-squares sum leaves
    σ_x = z / 1000 = 0.01 m; y is read twice: 0.01 / √2.
    """
    uv = np.array([[[500.0, 400.0], [400.0, 400.0]]])
    found = triangulate(two_beside_each_other(1.0), uv, np.ones((1, 2)))
    np.testing.assert_allclose(found.xyz_m[0], [0, 0, 10], atol=1e-12)
    np.testing.assert_allclose(np.sqrt(np.diag(found.cov_m2[0])), [0.01, 0.01 / np.sqrt(2), 0.1 * np.sqrt(2)])


def test_parallel_rays_are_weak_and_rays_that_part_meet_behind():
    cameras = two_beside_each_other(1.0)
    parallel = np.array([[[500.0, 400.0], [500.0, 400.0]]])
    assert triangulate(cameras, parallel, np.ones((1, 2))).status[0] == PointStatus.WEAK_PARALLAX
    parting = np.array([[[450.0, 400.0], [550.0, 400.0]]])
    found = triangulate(cameras, parting, np.ones((1, 2)))
    assert found.status[0] == PointStatus.BEHIND_CAMERA
    assert np.isnan(found.xyz_m).all() and np.isnan(found.cov_m2).all() and not found.views.any()


def test_a_mirrored_camera_is_left_out_or_named(rng):
    """Its picture flipped: of three cameras the other two still tell the point, of two nobody does."""
    points = in_the_serve_volume(rng, 200)
    uv = pixels(points)
    uv[:, 0, 0] = CAMERAS[0].size_px[0] - 1 - uv[:, 0, 0]
    far = np.abs(uv[:, 0, 0] - 639.5) > 40  # a point in the middle looks the same in the mirror
    found = triangulate(CAMERAS, uv, np.ones((200, 3)))
    good = far & (found.status == PointStatus.OK)
    right = np.linalg.norm(found.xyz_m - points, axis=1) < 1e-6
    # a flipped ray may cross one other ray by chance, and then three views allow two answers
    assert (good & right & ~found.views[:, 0]).sum() > 0.9 * far.sum()
    two = triangulate(CAMERAS[:2], uv[:, :2], np.ones((200, 2)))
    assert (two.status[far] != PointStatus.OK).mean() > 0.5
    assert (two.status[far] == PointStatus.OUTLIER).any()


def test_a_pixel_beyond_the_lens_does_not_count():
    """k1 = −0.5 bends back at r² = 1 / 1.5: there r (1 − 0.5 r²) is largest, 0.5443; nothing lands beyond."""
    bent = [replace(c, distortion=np.array([-0.5, 0, 0, 0, 0])) for c in two_beside_each_other(1.0)]
    uv = np.array([[[500.0 + 550.0, 400.0], [500.0 + 530.0, 400.0]]])
    found = triangulate(bent, uv, np.ones((1, 2)))
    assert found.status[0] == PointStatus.TOO_FEW_VIEWS
    both_within = triangulate(bent, uv - [[[20.0, 0.0], [20.0, 0.0]]], np.ones((1, 2)))
    assert both_within.status[0] != PointStatus.TOO_FEW_VIEWS


def test_the_covariance_is_that_of_pixels_through_any_lens(rng):
    """From the camera's own derivatives, far from the picture's centre, with slanted covariances."""
    terms = np.array([-0.3, 0.08, 2e-3, -1e-3, 0.0])
    cameras = [replace(c, distortion=terms) for c in CAMERAS]
    points = rng.uniform([-2.5, -1.5, 0.0], [2.5, 2.0, 3.0], (40, 3))
    uv = np.stack([c.project(points) for c in cameras], axis=1)
    root = rng.normal(0, 1, (40, 3, 2, 2)) + 1.5 * np.eye(2)
    cov = root @ root.swapaxes(2, 3) + 0.1 * np.eye(2)
    information = np.zeros((40, 3, 3))
    for k, camera in enumerate(cameras):
        _, J = camera.project_with_jacobian(points)
        information += J.swapaxes(1, 2) @ np.linalg.inv(cov[:, k]) @ J
    found = triangulate(cameras, uv, None, cov_px2=cov)
    np.testing.assert_allclose(found.cov_m2, np.linalg.inv(information), rtol=1e-6, atol=1e-12)


def test_a_pixel_covariance_is_a_sigma_where_it_is_round_and_a_line_where_it_is_long(rng):
    points = in_the_serve_volume(rng, 50)
    uv = pixels(points) + rng.normal(0, 1, (50, 3, 2))
    sigma = rng.uniform(0.5, 3, (50, 3))
    one = triangulate(CAMERAS, uv, sigma)
    same = triangulate(CAMERAS, uv, None, cov_px2=sigma[..., None, None] ** 2 * np.eye(2))
    np.testing.assert_allclose(one.xyz_m, same.xyz_m, atol=1e-9)
    np.testing.assert_allclose(one.cov_m2, same.cov_m2, rtol=1e-7, atol=1e-12)
    # the third view off along its own long axis does next to no harm
    slanted = np.tile(np.eye(2) * 0.25, (50, 3, 1, 1))
    slanted[:, 2] = [[200.5, 200.0], [200.0, 200.5]]
    uv = pixels(points)
    uv[:, 2] += 20.0
    found = triangulate(CAMERAS, uv, None, cov_px2=slanted)
    assert np.linalg.norm(found.xyz_m - points, axis=1).max() < 0.002
    assert found.views.all()


@pytest.mark.parametrize("views", [2, 3])
@pytest.mark.parametrize("sigma", [0.5, 4.0])
def test_error_reaches_the_bound(views, sigma):
    """rms error within 1.01 of Cramér-Rao over 60,000 points: its own spread is 0.3 %."""
    rng = np.random.default_rng(7)
    points = in_the_serve_volume(rng, 60_000)
    cameras = CAMERAS[:views]
    uv = pixels(points)[:, :views] + rng.normal(0, sigma, (len(points), views, 2))
    found = triangulate(cameras, uv, np.full(uv.shape[:2], sigma), TriangulateOptions(gate_sigma=8))
    assert (found.status == PointStatus.OK).all()
    information = sum(
        np.einsum("nki,nkj->nij", J, J) for J in (c.project_with_jacobian(points)[1] for c in cameras)
    )
    bound2 = np.trace(np.linalg.inv(information), axis1=1, axis2=2).mean() * sigma**2
    assert np.sqrt(((found.xyz_m - points) ** 2).sum(axis=1).mean() / bound2) == pytest.approx(1.0, abs=0.01)


def test_good_views_are_kept(rng):
    """Of Gaussian views the 4 sigma gate loses one in 3,000. At 2.5 sigmas, where many points are looked at by
    pairs, 97.1 % stay (measured), and 96.7 % if the gate forgets that a foretelling is itself uncertain."""
    points = in_the_serve_volume(rng, 20_000)
    uv = pixels(points) + rng.normal(0, 2, (len(points), 3, 2))
    for gate, least in ((4.0, 0.999), (2.5, 0.9695)):
        found = triangulate(CAMERAS, uv, np.full((len(points), 3), 2.0), TriangulateOptions(gate_sigma=gate))
        assert found.views.mean() > least


def test_a_point_does_not_depend_on_its_company(rng):
    points = in_the_serve_volume(rng, 300)
    uv = pixels(points) + rng.normal(0, 1, (300, 3, 2))
    uv[rng.random((300, 3)) < 0.1] += 60.0
    uv[rng.random((300, 3)) < 0.1] = np.nan
    sigma = np.where(np.isnan(uv[..., 0]), np.nan, 1.0)
    whole = triangulate(CAMERAS, uv, sigma)
    for k in (0, 127, 128, 299):
        alone = triangulate(CAMERAS, uv[k : k + 1], sigma[k : k + 1])
        np.testing.assert_allclose(alone.xyz_m[0], whole.xyz_m[k], atol=1e-9)
        assert alone.status[0] == whole.status[k]


def test_sigmas_and_covariances_are_checked():
    uv = np.zeros((1, 3, 2))
    with pytest.raises(BadInput, match="one of the two"):
        triangulate(CAMERAS, uv, None)
    with pytest.raises(BadInput, match="positive"):
        triangulate(CAMERAS, uv, np.zeros((1, 3)))
    with pytest.raises(BadInput, match="symmetric positive definite"):
        triangulate(CAMERAS, uv, None, cov_px2=np.tile([[1.0, 2.0], [2.0, 1.0]], (1, 3, 1, 1)))
    assert triangulate(CAMERAS, np.zeros((0, 3, 2)), np.zeros((0, 3))).xyz_m.shape == (0, 3)
