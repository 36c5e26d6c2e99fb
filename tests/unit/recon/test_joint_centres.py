"""Detected points moved onto joint centres: worked out by hand on a standing body, and what stays."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.geometry import Camera, Rigid
from recon.detector_study import PARTS, DetectorStudy, JointOffset, PixelError, study_of
from recon.joints import to_joint_centres
from recon.pipeline import PipelineOptions
from recon.pipeline.joint_centres import fit_joints
from recon.records import (
    KEYPOINTS,
    CameraTracks,
    Clock,
    Clocks,
    Motion,
    NoiseShape,
    PointStatus,
    Tracks2D,
)
from recon.segments import Points, body_scale_m, frame_pairs
from recon.session import Session, SessionFile
from recon.uncertainty import UNKNOWN_OFFSET_M

STANDING = {
    "nose": (0.0, 0.12, 1.62), "eye": (0.03, 0.10, 1.66), "ear": (0.08, 0.0, 1.64),
    "shoulder": (0.2, 0.0, 1.4), "elbow": (0.2, 0.0, 1.1), "wrist": (0.2, 0.05, 0.85),
    "thumb": (0.19, 0.08, 0.78),
    "index": (0.2, 0.09, 0.75),
    "pinky": (0.2, 0.03, 0.75), "hip": (0.1, 0.0, 0.9), "knee": (0.1, 0.0, 0.5), "ankle": (0.1, 0.0, 0.1),
    "heel": (0.1, -0.05, 0.04), "toe": (0.1, 0.18, 0.02),
}  # fmt: skip
"""A body that faces the net: right is +x, front +y. Trunk 0.5, thigh 0.4, shank 0.4 m: size 1.3 m."""
T = np.arange(5) / 60


def standing(names: tuple[str, ...] = KEYPOINTS) -> Motion:
    x = np.zeros((len(T), len(names), 3))
    for p, name in enumerate(names):
        side, _, part = name.rpartition("_")
        x[:, p] = STANDING.get(part if side != "racket" else "", (1.0, 1.0, 1.0))
        x[:, p, 0] *= -1 if side == "left" else 1
    cov = np.broadcast_to(np.eye(3) * 1e-6, (*x.shape, 3))
    return Motion("court", names, T, x, np.zeros_like(x), cov, np.full(x.shape[:2], PointStatus.OK, np.int8))


def study(**offsets: tuple[tuple[float, ...], tuple[float, ...]]) -> DetectorStudy:
    """A study that knows only these offsets; 1 % of the body's size per axis remains."""
    nothing = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    joints = {part: JointOffset(*map(np.array, offsets.get(part, nothing)), 1e-4 * np.eye(3)) for part in PARTS}
    pixel = PixelError(base=0.01, hidden=8.0, spread=2.0, shape=NoiseShape())
    return DetectorStudy("invented", dict.fromkeys(PARTS, pixel), joints, "invented")


def test_a_hip_is_moved_in_the_pelvis_and_a_knee_along_both_its_segments():
    found = standing()
    assert body_scale_m(Points(found.keypoints, found.xyz_m)) == pytest.approx(1.3)
    moved, _ = to_joint_centres(
        found, study(hip=((0.02, -0.03, 0.01), (0, 0, 0)), knee=((0, 0.01, 0), (0, 0.02, 0)))
    )
    # detected 26 mm in front, 39 mm below and 13 mm outside of the joint: the joint lies the other way
    np.testing.assert_allclose(moved.path("right_hip")[0], [0.1 - 0.013, -0.026, 0.9 + 0.039], atol=1e-12)
    np.testing.assert_allclose(moved.path("left_hip")[0], [-0.1 + 0.013, -0.026, 0.9 + 0.039], atol=1e-12)
    np.testing.assert_allclose(moved.path("right_knee")[0], [0.1, 0.0, 0.5 - 1.3 * 0.03], atol=1e-12)


def test_racket_and_ball_stay():
    found = standing()
    moved, _ = to_joint_centres(found, study(wrist=((0.02, 0, 0), (0, 0, 0))))
    for name in ("racket_tip", "ball"):
        np.testing.assert_array_equal(moved.path(name), found.path(name))


def test_a_forearm_bent_forward_has_its_front_there():
    """The elbow's hinge points to the right: bent a little forward, the upper arm's front is +y."""
    frames, _ = frame_pairs(Points(KEYPOINTS, standing().xyz_m), "left_elbow")
    np.testing.assert_allclose(frames[0], [[0, 0, -1], [1, 0, 0], [0, 1, 0]], atol=1e-12)


def test_a_point_whose_segments_are_never_seen_stays_and_is_named():
    names = tuple(n for n in KEYPOINTS if not n.endswith("heel"))
    found = standing(names)
    moved, centres = to_joint_centres(found, study(toe=((0.02, 0, 0), (0, 0, 0))))
    np.testing.assert_array_equal(moved.path("left_toe"), found.path("left_toe"))
    assert {"left_toe", "right_toe"} <= set(centres.left)
    assert "left_toe" in centres.sentence()


def test_the_correction_runs_on_where_a_frame_is_missing_for_a_while():
    found = standing()
    x = found.xyz_m.copy()
    x[2, found.index("right_ankle")] = np.nan
    status = found.status.copy()
    status[2, found.index("right_ankle")] = PointStatus.TOO_FEW_VIEWS
    gap = Motion("court", KEYPOINTS, T, x, np.zeros_like(x), found.cov_m2, status)
    moved, _ = to_joint_centres(gap, study(knee=((0, 0.01, 0), (0, 0.02, 0))))
    np.testing.assert_allclose(moved.path("right_knee")[2], [0.1, 0.0, 0.5 - 1.3 * 0.03], atol=1e-12)


def test_what_is_left_is_drawn_with_its_size_and_lasts():
    _, centres = to_joint_centres(standing(), study())
    drawn = centres.draws(4000, np.random.default_rng(5))
    hip = KEYPOINTS.index("left_hip")
    np.testing.assert_allclose(drawn[:, 0, hip].std(axis=0), 0.013, rtol=0.05)
    np.testing.assert_array_equal(drawn[:, 0], drawn[:, -1])
    assert not drawn[:, :, KEYPOINTS.index("racket_tip")].any()


def session(tmp_path, **keys: object) -> Session:
    return Session(tmp_path, SessionFile.model_validate({"rig": "rig", "handedness": "right", **keys}))


def filmed(found: Motion) -> tuple[list[Camera], Tracks2D, Clocks]:
    """Two cameras' exact pixels of a motion."""
    K = np.array([[1000.0, 0, 640], [0, 1000.0, 360], [0, 0, 1]])
    views = [
        Camera(name, (1280, 720), K, np.zeros(5), Rigid.aimed(name, place, (0, 0, 1)))
        for name, place in (("side", (8.0, -1.0, 1.5)), ("rear", (-3.0, -7.0, 2.0)))
    ]
    seen = []
    for view in views:
        uv = view.project(found.xyz_m.reshape(-1, 3)).reshape(*found.xyz_m.shape[:2], 2)
        seen.append(CameraTracks(view.name, (1280, 720), found.t_s, uv, np.ones(uv.shape[:2])))
    clocks = Clocks("side", (Clock("side", 0.0, 0.0), Clock("rear", 0.0, 1e-5)))
    return views, Tracks2D(KEYPOINTS, tuple(seen), "invented"), clocks


def still() -> Motion:
    """The standing body for a second, a racket in its right hand."""
    t, one = np.arange(60) / 60, standing()
    x = np.repeat(one.xyz_m[:1], 60, axis=0)
    for part, ahead_m in (("butt", 0.08), ("throat", 0.27), ("tip", 0.60)):
        x[:, KEYPOINTS.index(f"racket_{part}")] = one.path("right_wrist")[0] + [0, ahead_m, 0]
    status = np.full(x.shape[:2], PointStatus.OK, np.int8)
    return Motion("court", KEYPOINTS, t, x, 0 * x, np.broadcast_to(np.eye(3) * 1e-6, (*x.shape, 3)), status)


def test_own_keypoints_are_moved_only_where_the_session_says_that_they_are_this_detectors(tmp_path):
    true = still()
    views = filmed(true)
    foreign = fit_joints(session(tmp_path, keypoints="k.csv"), *views, PipelineOptions())
    np.testing.assert_allclose(foreign.motion.xyz_m, true.xyz_m, atol=1e-3)
    assert foreign.model.joint_offset_m == UNKNOWN_OFFSET_M
    assert "not said" in foreign.told
    ours = session(tmp_path, keypoints="k.csv", keypoints_mode="quick")
    moved = fit_joints(ours, *views, PipelineOptions())
    assert np.abs(moved.motion.path("left_hip") - true.path("left_hip")).max() > 0.01
    assert moved.model.joint_draws is not None
    assert "moved onto joint centres" in moved.told
    assert "taken out of the pixels" in moved.told
    left = study_of("quick").without_view_errors().joints["hip"].left_over()
    hip = moved.model.joint_draws(4000, np.random.default_rng(2))[:, 0, KEYPOINTS.index("left_hip")]
    assert np.sqrt((hip**2).sum(axis=1).mean()) == pytest.approx(1.3 * left, rel=0.06)


def test_switched_off_nothing_moves_and_it_is_said(tmp_path):
    true = still()
    same = fit_joints(session(tmp_path), *filmed(true), PipelineOptions(joint_centres=False))
    np.testing.assert_allclose(same.motion.xyz_m, true.xyz_m, atol=1e-3)
    assert same.model.joint_draws is None
    assert "switched off" in same.told
