"""Cameras, rigid transforms and array checks refuse what they should; one projection by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calibration.checks import checked
from calibration.errors import BadInput, FrameMismatch
from calibration.geometry import Camera, Rigid, fit_similarity

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
