"""Joints and racket against their lengths: views that are wrong together are found out, sound ones stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.geometry import Camera
from recon.detector_study import study_of
from recon.instants import points_at_instants
from recon.joints import TakenOut
from recon.motion import fit_motion, without_strays, without_unbelieved
from recon.pipeline import joint_centres
from recon.pipeline.joint_centres import fit_body
from recon.records import BODY, KEYPOINTS, CameraTracks, Clock, Clocks, Motion, PointStatus, Tracks2D
from tests.support.rig_worlds import court_cameras
from tests.unit.recon.test_joint_centres import standing

T = np.arange(90) / 60
CAMERAS = court_cameras()
CLOCKS = Clocks("left", tuple(Clock(c.name, 0.0, 0.0 if c.name == "left" else 1e-5) for c in CAMERAS))
SIGMA_PX = 3.0


def bending() -> Motion:
    """A standing body that bends its elbows and knees slowly, its bones keeping their lengths."""
    one = standing()
    x = np.repeat(one.xyz_m[:1], len(T), axis=0)
    angle = 0.5 + 0.4 * np.sin(2 * np.pi * 0.5 * T)
    turn = np.stack([np.zeros_like(angle), np.sin(angle), -np.cos(angle)], axis=1)
    back = turn * [1.0, -1.0, 1.0]
    for side in ("left", "right"):
        p = {n: KEYPOINTS.index(f"{side}_{n}") for n in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")}
        x[:, p["wrist"]] = x[:, p["elbow"]] + 0.25 * turn
        x[:, p["knee"]] = x[:, p["hip"]] + 0.4 * turn
        x[:, p["ankle"]] = x[:, p["knee"]] + 0.4 * back
    status = np.full(x.shape[:2], PointStatus.OK, np.int8)
    return Motion("court", KEYPOINTS, T, x, 0 * x, np.broadcast_to(np.eye(3) * 1e-6, (*x.shape, 3)), status)


def seen(motion: Motion, seed: int = 3) -> Tracks2D:
    rng = np.random.default_rng(seed)
    views = []
    for camera in CAMERAS:
        uv = camera.project(motion.xyz_m.reshape(-1, 3)).reshape(*motion.xyz_m.shape[:2], 2)
        uv = uv + rng.normal(0, SIGMA_PX, uv.shape)
        views.append(CameraTracks(camera.name, camera.size_px, T, uv, np.full(uv.shape[:2], SIGMA_PX)))
    return Tracks2D(KEYPOINTS, tuple(views), "invented")


def misled(tracks: Tracks2D, motion: Motion, names: tuple[str, ...], joint: str, by_m: np.ndarray) -> Tracks2D:
    """Some cameras see a joint at another place, the same for all of them, for a fifth of a second."""
    frames = slice(40, 52)
    out = []
    for view in tracks.cameras:
        uv = view.uv_px.copy()
        if view.camera in names:
            camera = next(c for c in CAMERAS if c.name == view.camera)
            uv[frames, tracks.index(joint)] = camera.project(motion.path(joint)[frames] + by_m)
        out.append(replace(view, uv_px=uv))
    return replace(tracks, cameras=tuple(out))


def fitted(tracks: Tracks2D, cameras: tuple[Camera, ...] = CAMERAS) -> Motion:
    points = points_at_instants(cameras, tracks, CLOCKS)
    return fit_motion(cameras, tracks, CLOCKS, points)[0]


@pytest.mark.parametrize("joint", ["right_elbow", "left_knee"])
def test_two_views_that_are_wrong_together_are_outdone_by_one_view_and_the_lengths(joint):
    motion = bending()
    tracks = misled(seen(motion), motion, ("left", "right"), joint, np.array([0.3, 0.2, 0.3]))
    before = fitted(tracks)
    worst = np.linalg.norm(before.path(joint) - motion.path(joint), axis=1)[42:50].min()
    assert worst > 0.25  # the two agree, and the third is outvoted
    cleaned, told = without_unbelieved(CAMERAS, tracks, CLOCKS, before)
    assert {(u.point, u.camera) for u in told} == {(joint, "left"), (joint, "right")}
    assert all(10 <= u.pictures <= 14 for u in told)
    after = np.linalg.norm(fitted(cleaned).path(joint) - motion.path(joint), axis=1)
    assert np.nanmax(after) < 0.1
    others = [p for p, name in enumerate(KEYPOINTS) if name != joint]
    for camera in ("left", "right", "side"):
        np.testing.assert_array_equal(cleaned.of(camera).uv_px[:, others], tracks.of(camera).uv_px[:, others])


def test_nothing_is_left_out_where_bones_keep_their_lengths():
    tracks = seen(bending())
    same, told = without_unbelieved(CAMERAS, tracks, CLOCKS, fitted(tracks))
    assert told == ()
    for view in tracks.cameras:
        np.testing.assert_array_equal(same.of(view.camera).sigma_px, view.sigma_px)


def test_what_was_left_out_is_said():
    motion = bending()
    tracks = misled(seen(motion), motion, ("left", "right"), "right_elbow", np.array([0.3, 0.2, 0.3]))
    _, told = without_unbelieved(CAMERAS, tracks, CLOCKS, fitted(tracks))
    assert told[0].sentence().startswith("right elbow in 1")
    assert told[0].sentence().endswith("pictures of left")


def test_a_body_without_wrists_is_left_as_it_is():
    motion = bending()
    tracks = misled(seen(motion), motion, ("left", "right"), "right_elbow", np.array([0.3, 0.2, 0.3]))
    wrists = [BODY.index(f"{side}_wrist") for side in ("left", "right")]
    blind = []
    for view in tracks.cameras:
        uv, sigma = view.uv_px.copy(), view.sigma_px.copy()
        uv[:, wrists], sigma[:, wrists] = np.nan, np.nan
        blind.append(replace(view, uv_px=uv, sigma_px=sigma))
    tracks = replace(tracks, cameras=tuple(blind))
    assert without_unbelieved(CAMERAS, tracks, CLOCKS, fitted(tracks))[1] == ()


def swung(seed: int = 4) -> tuple[Motion, Tracks2D]:
    """The bending body with a racket that turns slowly, its three points in line."""
    body = bending()
    x = body.xyz_m.copy()
    way = np.stack([np.sin(T), np.cos(T), 0 * T], axis=1)
    for name, along in (("racket_butt", 0.0), ("racket_throat", 0.31), ("racket_tip", 0.68)):
        x[:, KEYPOINTS.index(name)] = body.path("right_wrist") + along * way
    motion = replace(body, xyz_m=x)
    return motion, seen(motion, seed)


@pytest.mark.parametrize("lost", ["racket_butt", "racket_tip"])
def test_a_spot_that_all_cameras_take_for_the_racket_is_found_out_by_its_lengths(lost):
    motion, tracks = swung()
    tracks = misled(tracks, motion, ("left", "right", "side"), lost, np.array([-0.9, -0.4, 0.3]))
    before = fitted(tracks)
    assert np.linalg.norm(before.path(lost) - motion.path(lost), axis=1)[45] > 0.8
    cleaned, told = without_strays(tracks, CLOCKS, before)
    assert {u.point for u in told} == {lost}
    assert {u.camera for u in told} == {"left", "right", "side"}
    off = np.linalg.norm(fitted(cleaned).path(lost) - motion.path(lost), axis=1)
    assert np.nanmax(off) < 0.15


def test_a_racket_that_keeps_its_lengths_is_left_alone():
    _, tracks = swung()
    assert without_strays(tracks, CLOCKS, fitted(tracks))[1] == ()


def test_of_two_points_that_contradict_each_other_the_less_certain_one_is_the_stray():
    motion, tracks = swung()
    known = [KEYPOINTS.index(n) for n in ("racket_butt", "racket_throat")]
    status, xyz, cov = motion.status.copy(), motion.xyz_m.copy(), motion.cov_m2.copy()
    tip = KEYPOINTS.index("racket_tip")
    status[:, tip], xyz[:, tip], cov[:, tip] = PointStatus.TOO_FEW_VIEWS, np.nan, np.nan
    xyz[40, known[0]] += [1.0, 0.0, 0.0]
    cov[:, known[0]] *= 4.0
    _, told = without_strays(tracks, CLOCKS, replace(motion, status=status, xyz_m=xyz, cov_m2=cov))
    assert {u.point for u in told} == {"racket_butt"}


def test_the_body_is_fitted_again_where_a_joint_was_left_out_and_only_there():
    """What comes out is a fit of what is left; a joint that two views mislead is not kept as it was."""
    motion = bending()
    tracks = misled(seen(motion), motion, ("left", "right"), "left_knee", np.array([0.3, 0.2, 0.3]))
    found = fit_body(CAMERAS, tracks, CLOCKS)
    assert {u.point for u in found.unbelieved} == {"left_knee"}
    afresh, support = fit_motion(CAMERAS, found.tracks, CLOCKS, found.points)
    np.testing.assert_array_equal(found.motion.xyz_m, afresh.xyz_m)
    np.testing.assert_array_equal(found.support.sigma_px, support.sigma_px)


def test_the_last_fit_takes_sigmas_from_the_posture(monkeypatch):
    """The tracks that the motion rests on are those that were sized by posture."""
    motion = bending()
    sized: list[Tracks2D] = []

    def doubled(tracks: Tracks2D, taken_out: TakenOut) -> Tracks2D:
        assert set(taken_out.surer) == {c.camera for c in tracks.cameras}
        cameras = tuple(replace(c, sigma_px=2 * c.sigma_px) for c in tracks.cameras)
        sized.append(replace(tracks, cameras=cameras))
        return sized[-1]

    monkeypatch.setattr(joint_centres, "sized_by_posture", doubled)
    found = fit_body(CAMERAS, seen(motion), CLOCKS, study_of("quick"))
    assert found.taken_out is not None
    assert found.tracks is sized[0]
