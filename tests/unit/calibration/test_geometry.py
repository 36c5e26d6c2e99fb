"""Cameras, rigid transforms and array checks refuse what they should; one projection by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calibration.checks import checked
from calibration.errors import BadInput, FrameMismatch
from calibration.geometry import Camera, Rigid, fit_similarity
from calibration.geometry.undistort import reach_of, undistorted

K = np.array([[1000.0, 0, 640], [0, 1000, 360], [0, 0, 1]])


def camera(**changes: object) -> Camera:
    fields: dict[str, object] = {
        "name": "a", "size_px": (1280, 720), "K_px": K, "distortion": np.zeros(5),
        "cam_from_world": Rigid.identity("cam_a", "court"),
    }  # fmt: skip
    return Camera(**(fields | changes))


def test_projection_by_hand() -> None:
    # one metre right and half a metre up at four metres: 250 px right, 125 px up of the centre
    np.testing.assert_allclose(camera().project(np.array([1.0, -0.5, 4.0])), [890.0, 235.0])


def test_distortion_by_hand() -> None:
    bent = camera(distortion=np.array([0.1, 0.0, 0.0, 0.0, 0.0]))
    # r² = 0.25, so the point moves out by 2.5 %
    np.testing.assert_allclose(bent.project(np.array([0.5, 0.0, 1.0])), [640 + 500 * 1.025, 360.0])


def test_behind_the_camera_is_absent() -> None:
    assert np.isnan(camera().project(np.array([0.0, 0.0, -1.0]))).all()


def test_rays_point_at_what_they_see() -> None:
    x = np.array([0.3, -0.2, 5.0])
    ray = camera().rays(camera().project(x))
    np.testing.assert_allclose(ray, x / np.linalg.norm(x), atol=1e-12)


@pytest.mark.parametrize(
    ("model", "terms"),
    [
        ("radial5", (-0.3, 0.12, 1e-3, -2e-3, -0.02)),
        ("rational8", (0.6, -0.1, 1e-3, 5e-4, 0.01, 0.9, 0.05, 0.01)),
        ("fisheye4", (0.05, -0.02, 0.01, -0.003)),
        ("radial5", (0.0,) * 5),
    ],
)
def test_a_direction_comes_back_from_its_pixel(
    rng: np.random.Generator, model: str, terms: tuple[float, ...]
) -> None:
    bent = camera(model=model, distortion=np.array(terms))
    n = rng.uniform(-0.6, 0.6, (300, 2))
    distorted, by_n = bent.lens_model.distort(n, bent.distortion)
    uv = distorted * np.diag(K)[:2] + K[:2, 2]
    found, found_by_n = undistorted(model, bent.lens_vector(), uv)
    np.testing.assert_allclose(found, n, atol=1e-9)
    np.testing.assert_allclose(found_by_n, by_n, atol=1e-7)
    grid = bent.normalised(uv.reshape(20, 15, 2))
    assert grid.shape == (20, 15, 2) and (grid.reshape(-1, 2) == found).all()
    assert (bent.normalised(uv[0]) == found[0]).all() and bent.normalised(np.empty((0, 2))).shape == (0, 2)


def test_a_pixel_beyond_the_lens_has_no_direction() -> None:
    """k1 = −0.5 bends back at r² = 1 / 1.5: there r (1 − 0.5 r²) is largest, 0.5443; nothing lands beyond."""
    assert reach_of("radial5", (-0.5, *[0.0] * 7)) == pytest.approx(np.sqrt(1 / 1.5), abs=2e-3)
    bent = camera(distortion=np.array([-0.5, 0, 0, 0, 0]))
    beyond, within = bent.normalised(np.array([[640.0 + 550.0, 360.0], [640.0 + 530.0, 360.0]]))
    assert np.isnan(beyond).all() and 0 < within[0] < np.sqrt(1 / 1.5)
    assert np.isnan(bent.normalised(np.array([np.nan, 360.0]))).all()


@pytest.mark.parametrize("model", ["radial5", "rational8"])
def test_a_lens_that_bends_back_and_forth_again_ends_where_it_first_bends(model: str) -> None:
    """r (1 − r² / 2 + r⁴ / 10) rises to 0.6 at r = 1, falls to √2, rises again: 0.9 is met there only."""
    terms = np.array([-0.5, 0.1, *[0.0] * (3 if model == "radial5" else 6)])
    beyond, within = camera(model=model, distortion=terms).rays(
        np.array([[640.0 + 900.0, 360.0], [640.0 + 499.0, 360.0]])
    )
    assert np.isnan(beyond).all()
    r = within[0] / within[2]
    assert r * (1 - r**2 / 2 + r**4 / 10) == pytest.approx(0.499)


def test_a_fisheye_that_bends_back_ends_there() -> None:
    """θ (1 − θ² / 3) is largest at θ = 1, 2 / 3; at θ = √3 it is 0 again."""
    bent = camera(model="fisheye4", distortion=np.array([-1 / 3, 0, 0, 0]))
    beyond, within = bent.normalised(np.array([[640.0 + 670.0, 360.0], [640.0 + 600.0, 360.0]]))
    theta = np.arctan(within[0])
    assert np.isnan(beyond).all() and theta < 1 and theta * (1 - theta**2 / 3) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("changes", "wanted"),
    [
        ({"K_px": np.diag([-1.0, 1, 1])}, "positive focal"),
        ({"K_px": np.array([[1.0, 5, 0], [0, 1, 0], [0, 0, 1]])}, "K_px"),
        ({"K_px": np.eye(2)}, r"want shape \(3, 3\)"),
        ({"distortion": np.zeros(4)}, r"want shape \(5,\)"),
        ({"distortion": np.array([np.nan, 0, 0, 0, 0])}, "not finite"),
        ({"size_px": (0, 720)}, "size_px"),
    ],
)
def test_camera_refuses(changes: dict[str, object], wanted: str) -> None:
    with pytest.raises(BadInput, match=wanted):
        camera(**changes)


def test_camera_refuses_another_camera_s_pose() -> None:
    with pytest.raises(FrameMismatch, match="cam_a_from"):
        camera(cam_from_world=Rigid.identity("cam_b", "court"))


def test_an_upright_camera_by_hand() -> None:
    """Two metres up, looking along the court: right is right, down is down, and 3 m ahead is 3 m deep."""
    pose = Rigid.aimed("a", (1.0, 0.0, 2.0), (1.0, 5.0, 2.0))
    assert (pose.dst, pose.src) == ("cam_a", "court")
    np.testing.assert_allclose(pose.apply(np.array([1.5, 3.0, 1.75])), [0.5, 0.25, 3.0], atol=1e-12)
    with pytest.raises(BadInput, match=r"camera a: .* plumb line"):
        Rigid.aimed("a", (1.0, 0.0, 2.0), (1.0, 0.0, 0.0))


@pytest.mark.parametrize("R", [2 * np.eye(3), np.diag([1.0, 1, -1]), np.ones((3, 3))])
def test_rigid_refuses_what_is_no_rotation(R: np.ndarray) -> None:
    with pytest.raises(BadInput, match="want a rotation"):
        Rigid(R, np.zeros(3), "a", "b")


def test_rigid_refuses_to_join_strange_frames() -> None:
    with pytest.raises(FrameMismatch, match="'b' does not meet 'c'"):
        Rigid.identity("a", "b") @ Rigid.identity("c", "d")


def test_checked_copies_and_freezes() -> None:
    source = np.ones(3)
    out = checked(source, (3,), "x")
    source[0] = 5
    assert out[0] == 1 and not out.flags.writeable
    with pytest.raises(BadInput, match=r"x: want shape \('any', 3\), got \(3,\)"):
        checked(source, (None, 3), "x")
    with pytest.raises(BadInput, match=r"not finite at index \[1\]"):
        checked([0, np.inf, 0], (3,), "x", allow_nan=True)
    assert np.isnan(checked([0, np.nan], (2,), "x", allow_nan=True)[1])


def test_similarity_refuses_points_on_a_line() -> None:
    line = np.outer(np.arange(4.0), [1, 2, 3])
    with pytest.raises(BadInput, match="do not fix a rotation"):
        fit_similarity(line, line, with_scale=False)


def test_many_transforms_at_once_are_those_made_one_by_one() -> None:
    turns = Rotation.from_rotvec([[0.1, 0.2, 0.3], [0, 0, np.pi], [-2.0, 0.5, 0]]).as_matrix()
    shifts = np.arange(9.0).reshape(3, 3)
    made = Rigid.many(turns, shifts, "rig", "board")
    for one, R, t in zip(made, turns, shifts, strict=True):
        alone = Rigid(R, t, "rig", "board")
        assert (one.dst, one.src) == (alone.dst, alone.src)
        assert (one.R == alone.R).all() and (one.t_m == alone.t_m).all() and not one.R.flags.writeable


@pytest.mark.parametrize("spoilt", [np.diag([1.0, 1.0, -1.0]), 1.001 * np.eye(3)])
def test_one_wrong_rotation_among_many_is_named(spoilt: np.ndarray) -> None:
    with pytest.raises(BadInput, match=r"rig_from_board\.R.* at 1"):
        Rigid.many(np.stack([np.eye(3), spoilt]), np.zeros((2, 3)), "rig", "board")
