"""Points from views: exact, best possible, robust, and honest about what it cannot tell."""

from __future__ import annotations

import numpy as np
import pytest

from calibration import BadInput
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
