"""Planes, traces and arrows of the scene on poses worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.court.model import BASELINE_WIDTH_M, NET_Y_M
from recon.records import EVENT_NAMES, Event, Events, Motion, PointStatus
from recon.scene import planes, still, traces
from recon.scene.parts import Lines, Patches, Words

_NAMES = ("left_shoulder", "right_shoulder", "left_hip", "right_hip", "racket_tip", "left_heel", "left_toe")
# A right-hander side-on: facing +x, hitting (right) shoulder towards -y, upright.
_POSE = np.array(
    [
        [0, 0.2, 1.5],
        [0, -0.2, 1.5],
        [0, 0.1, 1.0],
        [0, -0.1, 1.0],
        [0.3, -0.25, 2.0],
        [0, 0, 0.02],
        [0.2, 0, 0.02],
    ]
)


def events(**times: float) -> Events:
    rows = [Event(n, times[n], 0.01) if n in times else Event(n, None, None, "not here") for n in EVENT_NAMES]
    return Events(tuple(rows))


def motion(poses: list[np.ndarray], names: tuple[str, ...] = _NAMES) -> Motion:
    xyz = np.stack(poses)
    status = np.full(xyz.shape[:2], PointStatus.OK)
    cov = np.broadcast_to(np.eye(3) * 1e-4, (*xyz.shape, 3))
    return Motion("court", names, np.arange(len(poses)) * 0.1, xyz, np.zeros_like(xyz), cov, status)


def test_spine_plane_of_an_upright_right_hander() -> None:
    p = planes.spine_plane(_NAMES, _POSE, "right")
    assert p is not None
    np.testing.assert_allclose(p.origin_m, [0, 0, 1.5])
    np.testing.assert_allclose(p.spine, [0, 0, 1])
    np.testing.assert_allclose(p.normal, [0, -1, 0], atol=1e-15)  # to the hitting side
    np.testing.assert_allclose(p.anterior, [1, 0, 0], atol=1e-15)  # where the chest faces
    assert p.distance_m(_POSE[4]) == pytest.approx(0.25)


def test_spine_plane_of_the_mirrored_left_hander_gives_the_same_distance() -> None:
    swapped = _POSE[[1, 0, 3, 2, 4, 5, 6]] * [-1.0, 1.0, 1.0]
    p = planes.spine_plane(_NAMES, swapped, "left")
    assert p is not None
    np.testing.assert_allclose(p.anterior, [-1, 0, 0], atol=1e-15)
    assert p.distance_m(swapped[4]) == pytest.approx(0.25)


def test_spine_plane_leans_with_the_trunk() -> None:
    leaning = _POSE.copy()
    leaning[:2, 0] += 0.5  # shoulders 0.5 m ahead of the hips, 0.5 m above: 45 degrees
    p = planes.spine_plane(_NAMES, leaning, "right")
    assert p is not None
    np.testing.assert_allclose(p.spine, np.array([1, 0, 1]) / np.sqrt(2))
    np.testing.assert_allclose(p.anterior, np.array([1, 0, -1]) / np.sqrt(2), atol=1e-15)


def test_patch_spans_spine_and_anterior_and_the_stroke_ends_on_it() -> None:
    parts = {p.name: p for p in planes.spine_plane_parts(motion([_POSE, _POSE]), "right", 0.05)}
    patch, reach = parts["spine_plane"], parts["tip_to_plane"]
    assert isinstance(patch, Patches) and isinstance(reach, Lines)
    np.testing.assert_allclose(patch.corners_m[0, :, 1], 0, atol=1e-12)
    np.testing.assert_allclose(np.ptp(patch.corners_m[0], axis=0), [1.5, 0, 1.6], atol=1e-12)
    np.testing.assert_allclose(reach.ends_m, [[[0.3, -0.25, 2.0], [0.3, 0, 2.0]]], atol=1e-12)


def test_without_a_shoulder_there_is_no_plane_but_the_same_parts() -> None:
    pose = _POSE[1:]
    parts = planes.spine_plane_parts(motion([pose, pose], _NAMES[1:]), "right", 0.05)
    whole = planes.spine_plane_parts(motion([_POSE, _POSE]), "right", 0.05)
    assert [p.name for p in parts] == [p.name for p in whole]
    assert all(len(p.texts if isinstance(p, Words) else getattr(p, "ends_m", getattr(p, "corners_m", ()))) == 0
               for p in parts)  # fmt: skip


def test_hip_projection_runs_down_and_then_to_the_rear_edge_of_the_baseline() -> None:
    ahead = _POSE + np.array([0.3, 0.2, 0.0])
    down, along, _ = planes.hip_projection(motion([ahead, ahead]), "right", 0.0)
    assert isinstance(down, Lines) and isinstance(along, Lines)
    np.testing.assert_allclose(down.ends_m, [[[0.3, 0.3, 1.0], [0.3, 0.3, 0.0]]])  # left hip: the front one
    np.testing.assert_allclose(along.ends_m[0, :, :2], [[0.3, 0.3], [0.3, 0.0]])


def test_baseline_plane_stands_on_y_zero() -> None:
    patch = planes.baseline_plane(motion([_POSE, _POSE]))[0]
    assert isinstance(patch, Patches)
    assert (patch.corners_m[..., 1] == 0).all()


def test_the_marked_stretch_is_one_piece_around_the_smallest_distance() -> None:
    d = np.array([0.00, 0.30, 0.12, 0.09, 0.10, 0.145, 0.30, 0.10])
    # between 1 and 6 the smallest is 0.09 at 3; within 5 cm: 2, 3, 4 (5 is 5.5 cm off); 7 lies outside
    assert traces.stretch_near_smallest(d, 1, 6).tolist() == [2, 3, 4]
    assert traces.stretch_near_smallest(np.full(5, np.nan), 0, 4).size == 0


def test_tip_trace_runs_from_release_to_contact_with_its_near_stretch() -> None:
    poses = []
    for offset in (0.3, 0.2, 0.1, 0.12, 0.3, 0.5):
        pose = _POSE.copy()
        pose[4, 1] = -offset
        poses.append(pose)
    m = motion(poses)
    np.testing.assert_allclose(traces.tip_distances_m(m, "right"), [0.3, 0.2, 0.1, 0.12, 0.3, 0.5])
    trace, near = traces.tip_trace(m, events(release=0.0, trophy=0.1, racket_low=0.3, contact=0.32), "right")
    assert isinstance(trace, Lines) and isinstance(near, Lines)
    assert len(trace.ends_m) == 4
    np.testing.assert_allclose(near.ends_m[:, :, 1], [[-0.1, -0.12]])


def test_ball_path_without_a_flight_joins_the_followed_points() -> None:
    poses = [np.array([[0.0, 0.0, z]]) for z in (1.0, 2.0, 3.0, 4.0)]
    (path,) = traces.ball_path(motion(poses, ("ball",)), events(release=0.1, contact=0.3), None)
    assert isinstance(path, Lines)
    np.testing.assert_allclose(path.ends_m[:, :, 2], [[2, 3], [3, 4]])


def test_foot_arrows_point_from_heel_to_toe_on_the_ground() -> None:
    turned = _POSE.copy()
    turned[6] = [0, 0.2, 0.05]  # toes to the net at push-off
    parts = {
        p.name: p
        for p in traces.foot_headings(motion([_POSE, turned]), events(stance=0.0, push_off=0.1), "right")
    }
    stance, push = parts["foot_stance"], parts["foot_push_off"]
    assert isinstance(stance, Lines) and isinstance(push, Lines)
    np.testing.assert_allclose(stance.ends_m[0, :, :2], [[0, 0], [0.55, 0]], atol=1e-12)
    np.testing.assert_allclose(push.ends_m[0, :, :2], [[0, 0], [0, 0.80]], atol=1e-12)
    assert len(np.unique(np.concatenate([stance.ends_m, push.ends_m])[..., 2])) == 1
    assert push.width_px > stance.width_px


def test_absent_events_leave_empty_arrows_with_the_same_names() -> None:
    parts = traces.foot_headings(motion([_POSE, _POSE]), events(), "right")
    assert [p.name for p in parts] == ["foot_stance", "foot_stance_name", "foot_push_off", "foot_push_off_name"]
    assert all(len(p.ends_m) == 0 for p in parts if isinstance(p, Lines))


def test_court_is_the_servers_half_with_the_baseline_where_the_rules_put_it() -> None:
    _, paint, net = still.court()
    assert isinstance(paint, Patches) and isinstance(net, Lines)
    assert paint.corners_m[..., 1].max() == NET_Y_M
    baseline = paint.corners_m[0]
    assert (baseline[:, 1].min(), baseline[:, 1].max()) == (0.0, BASELINE_WIDTH_M)
    assert (net.ends_m[..., 1] == NET_Y_M).all()


def test_frustum_corners_lie_on_the_rays_of_the_picture_corners() -> None:
    from calibration.geometry import Camera, Rigid

    K = np.array([[100.0, 0, 99.5], [0, 100.0, 49.5], [0, 0, 1]])
    cam = Camera("a", (200, 100), K, np.zeros(5), Rigid(np.eye(3), np.array([0, 0, 1.0]), "cam_a", "court"))
    centre, corners = still.frustum_m(cam, 0.5)
    np.testing.assert_allclose(centre, [0, 0, -1])
    # half widths 100 px and 50 px at 100 px focal length: 0.5 m and 0.25 m at 0.5 m
    np.testing.assert_allclose(
        corners, [[-0.5, -0.25, -0.5], [0.5, -0.25, -0.5], [0.5, 0.25, -0.5], [-0.5, 0.25, -0.5]]
    )
