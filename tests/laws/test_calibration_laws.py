"""What must always hold of transforms, cameras, fits, Jacobians and record files."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from calibration.bundle import moved
from calibration.calibrated_rig import CalibratedRig
from calibration.files import load_lens, load_rig, save_lens, save_rig
from calibration.geometry import Camera, Rigid, fit_similarity
from calibration.geometry.camera import N_CAMERA
from tests.support.calibration_records import example_lens, example_rig
from tests.support.jacobian import assert_jacobian

vector = arrays(np.float64, 3, elements=st.floats(-3.0, 3.0))
seeds = st.integers(0, 2**32 - 1)
tangential = st.floats(-2e-3, 2e-3)
lenses = st.tuples(
    st.floats(-0.25, 0.1), st.floats(-0.05, 0.08), tangential, tangential, st.floats(-0.01, 0.01)
)
in_front = st.tuples(st.floats(-0.6, 0.6), st.floats(-0.4, 0.4), st.floats(1.0, 12.0))


def camera_at(turn: np.ndarray, shift: np.ndarray, lens: tuple[float, ...]) -> Camera:
    K = np.array([[1003.0, 0, 644.0], [0, 1005.0, 355.0], [0, 0, 1.0]])
    return Camera("a", (1280, 720), K, np.array(lens), Rigid.from_rotvec(turn, shift, "cam_a", "rig"))


def world_point(camera: Camera, seen: tuple[float, float, float]) -> np.ndarray:
    """The world point at normalised coordinates (x, y) and depth z."""
    x, y, z = seen
    return camera.cam_from_world.inverse().apply(np.array([x * z, y * z, z]))


@given(a=vector, b=vector, p=vector)
@example(a=np.zeros(3), b=np.zeros(3), p=np.zeros(3))
@example(a=np.array([np.pi, 0, 0]), b=np.full(3, 1e-9), p=np.ones(3))
def test_composing_equals_applying_in_turn(a: np.ndarray, b: np.ndarray, p: np.ndarray) -> None:
    A, B = Rigid.from_rotvec(a, b, "rig", "cam"), Rigid.from_rotvec(b, a, "cam", "board")
    np.testing.assert_allclose((A @ B).apply(p), A.apply(B.apply(p)), atol=1e-12)


@given(a=vector, b=vector, p=vector)
def test_inverse_undoes(a: np.ndarray, b: np.ndarray, p: np.ndarray) -> None:
    A = Rigid.from_rotvec(a, b, "rig", "cam")
    np.testing.assert_allclose(A.inverse().apply(A.apply(p)), p, atol=1e-12)
    assert (A.inverse().dst, A.inverse().src) == ("cam", "rig")


@given(a=vector, b=vector)
def test_distances_are_kept(a: np.ndarray, b: np.ndarray) -> None:
    A = Rigid.from_rotvec(a, b, "rig", "cam")
    assert np.linalg.norm(A.apply(a) - A.apply(b)) == pytest.approx(np.linalg.norm(a - b), abs=1e-12)


@given(turn=vector, shift=vector, lens=lenses, seen=in_front)
def test_projecting_and_normalising_undo_each_other(
    turn: np.ndarray, shift: np.ndarray, lens: tuple[float, ...], seen: tuple[float, float, float]
) -> None:
    camera = camera_at(turn, shift, lens)
    uv = camera.project(world_point(camera, seen))
    np.testing.assert_allclose(camera.normalised(uv), seen[:2], atol=1e-8)


@given(turn=vector, shift=vector, lens=lenses, seen=in_front)
@settings(max_examples=30)
def test_projection_derivatives(
    turn: np.ndarray, shift: np.ndarray, lens: tuple[float, ...], seen: tuple[float, float, float]
) -> None:
    camera = camera_at(turn, shift, lens)
    x = world_point(camera, seen)
    uv, by_point, by_parameter = camera.project_all(x)
    np.testing.assert_allclose(uv, camera.project(x), atol=1e-9)
    assert_jacobian(camera.project, by_point, x, rtol=1e-5)
    assert_jacobian(lambda step: moved(camera, step).project(x), by_parameter, np.zeros(N_CAMERA), rtol=1e-5)


@given(turn=vector, shift=vector, scale=st.floats(0.2, 5.0), seed=seeds)
def test_umeyama_finds_any_similarity(turn: np.ndarray, shift: np.ndarray, scale: float, seed: int) -> None:
    x = np.random.default_rng(seed).normal(size=(6, 3))
    R = Rigid.from_rotvec(turn, shift, "a", "b").R
    fit = fit_similarity(x, scale * x @ R.T + shift, with_scale=True)
    np.testing.assert_allclose(fit.R, R, atol=1e-8)
    assert (
        fit.scale == pytest.approx(scale, rel=1e-8)
        and fit.mean_squared_residual < 1e-12 * max(1, scale**2) * 100
    )


@given(seed=seeds)
def test_umeyama_never_reflects(seed: int) -> None:
    rng = np.random.default_rng(seed)
    fit = fit_similarity(rng.normal(size=(5, 3)), rng.normal(size=(5, 3)), with_scale=False)
    assert np.linalg.det(fit.R) == pytest.approx(1.0)


@given(seed=seeds, frame=st.sampled_from(["rig", "court"]))
@settings(max_examples=15)
def test_a_rig_file_gives_the_same_rig_bit_for_bit(seed: int, frame: str) -> None:
    rig = example_rig(np.random.default_rng(seed), frame)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rig.json"
        save_rig(path, rig)
        back = load_rig(path)
        text = path.read_bytes()
        save_rig(path, back)
        assert path.read_bytes() == text
    same_rig(rig, back)


def same_rig(a: CalibratedRig, b: CalibratedRig) -> None:
    assert np.array_equal(a.covariance, b.covariance)
    for p, q in zip(a.cameras, b.cameras, strict=True):
        assert (p.name, p.size_px, p.world) == (q.name, q.size_px, q.world)
        assert np.array_equal(p.K_px, q.K_px) and np.array_equal(p.distortion, q.distortion)
        assert np.array_equal(p.cam_from_world.R, q.cam_from_world.R)
        assert np.array_equal(p.cam_from_world.t_m, q.cam_from_world.t_m)
    for field in ("name", "frame", "camera_rms_px", "held_out_px", "board_views", "flags", "court"):
        assert getattr(a, field) == getattr(b, field), field
    assert a.provenance.same_making(b.provenance)


@given(seed=seeds)
@settings(max_examples=15)
def test_a_lens_file_gives_the_same_lens_bit_for_bit(seed: int) -> None:
    lens = example_lens(np.random.default_rng(seed))
    with tempfile.TemporaryDirectory() as folder:
        save_lens(Path(folder) / "a.json", lens)
        back = load_lens(Path(folder) / "a.json")
    assert np.array_equal(lens.vector(), back.vector()) and np.array_equal(lens.covariance, back.covariance)
    assert np.array_equal(lens.view_rms_px, back.view_rms_px) and lens.flags == back.flags
    assert lens.provenance is not None and lens.provenance.same_making(back.provenance)
