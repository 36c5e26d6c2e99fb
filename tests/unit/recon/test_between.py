"""Elbows and knees against their bones' lengths: two views wrong together are found out, sound ones stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.geometry import Camera
from recon.instants import points_at_instants
from recon.motion import fit_motion, without_unbelieved
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
    assert {(u.joint, u.camera) for u in told} == {(joint, "left"), (joint, "right")}
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
