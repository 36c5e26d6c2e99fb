"""Every measure on a pose whose value can be computed by hand, for both hands."""

from __future__ import annotations

import numpy as np
import pytest

from recon.body import Body, foot_yaw_rad, interior_angle_rad, spine_plane, tip_to_spine_plane_m
from recon.measures import MEASURES, Athlete, Serve, measure
from recon.records import EVENT_NAMES, KEYPOINTS, Event, Events, Motion, PointStatus
from recon.uncertainty import Displacements

T = np.linspace(0.0, 2.0, 241)
TIMES = {
    "stance": 0.2, "start": 0.3, "release": 0.6, "trophy": 0.9, "deepest_bend": 1.0, "push_off": 1.3,
    "racket_low": 1.4, "contact": 1.6,
}  # fmt: skip
EVENTS = Events(
    tuple(
        Event(n, TIMES[n], 0.005) if n in TIMES else Event(n, None, None, "this pose never lands")
        for n in EVENT_NAMES
    )
)

RIGHT_HANDER = {
    "right_shoulder": (0.2, 0.0, 1.5), "left_shoulder": (-0.2, 0.0, 1.5),
    "right_hip": (0.1, 0.10, 1.0), "left_hip": (-0.1, 0.14, 1.0),
    "right_elbow": (0.5, 0.0, 1.5), "right_wrist": (0.5, 0.0, 1.8),
    "left_elbow": (-0.4, 0.0, 1.7), "left_wrist": (-0.5, 0.1, 2.0),
    "left_knee": (-0.1, 0.14, 0.5), "left_ankle": (-0.1, -0.36, 0.5),
    "right_knee": (0.1, 0.10, 0.5), "right_ankle": (0.1, 0.10, 0.1),
    "left_heel": (-0.2, -0.30, 0.03), "left_toe": (0.0, -0.10, 0.03),
    "right_heel": (0.2, -0.60, 0.03), "right_toe": (0.2, -0.40, 0.03),
    "nose": (0.0, 0.1, 1.7), "racket_tip": (0.3, -0.3, 2.0), "racket_throat": (0.3, -0.2, 2.2),
    "racket_butt": (0.4, 0.0, 1.9), "ball": (0.0, 0.5, 3.0),
}  # fmt: skip
"""A made-up still pose of a right-hander facing +y with mid-hip at y = 0.12."""


def still(pose: dict[str, tuple[float, float, float]], handedness: str) -> Body:
    xyz = np.full((len(T), len(KEYPOINTS), 3), np.nan)
    for name, place in pose.items():
        xyz[:, KEYPOINTS.index(name)] = place
    return Body(T, KEYPOINTS, xyz, np.where(np.isnan(xyz), np.nan, 0.0), handedness)


def mirrored(pose):
    """The same pose of a left-hander: everything mirrored in x, left and right exchanged."""
    swap = {"left": "right", "right": "left"}
    return {
        "_".join(swap.get(word, word) for word in name.split("_")): (-x, y, z)
        for name, (x, y, z) in pose.items()
    }


def read(name: str, body: Body, athlete: Athlete = Athlete(height_m=1.75)) -> float | None:  # noqa: B008
    return MEASURES[name].compute(Serve(body, EVENTS, athlete)).value


HAND_COMPUTED = {
    "hip_past_baseline_max": 0.14,
    "hip_past_baseline_trophy": 0.14,
    "hip_past_baseline_contact": 0.14,
    "midhip_past_baseline_max": 0.12,
    "hip_past_front_toe_max": 0.24,
    "front_foot_yaw_stance": np.pi / 4,
    "front_foot_yaw_deepest_bend": np.pi / 4,
    "front_foot_yaw_push_off": np.pi / 4,
    "front_foot_turn": 0.0,
    "elbow_angle_trophy": np.pi / 2,
    "front_knee_flexion_trophy": np.pi / 2,
    "front_knee_flexion_deepest": np.pi / 2,
    "back_knee_flexion_trophy": 0.0,
    "back_knee_flexion_deepest": 0.0,
    "foot_fault_clearance": 0.10 - 0.015,
    "contact_height": 2.1,
    "contact_height_ratio": 1.2,
}


@pytest.mark.parametrize("name", sorted(HAND_COMPUTED))
@pytest.mark.parametrize("hand", ["right", "left"])
def test_still_pose(name, hand):
    pose = RIGHT_HANDER if hand == "right" else mirrored(RIGHT_HANDER)
    assert read(name, still(pose, hand)) == pytest.approx(HAND_COMPUTED[name], abs=1e-9)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_distance_from_the_spine_plane(hand):
    """An upright trunk facing the net: the plane is x = 0, the tip 0.3 m on the hitting side and behind."""
    pose = dict(RIGHT_HANDER, right_hip=(0.1, 0.0, 1.0), left_hip=(-0.1, 0.0, 1.0))
    body = still(pose if hand == "right" else mirrored(pose), hand)
    plane = spine_plane(body)
    np.testing.assert_allclose(plane.along[0], [0, 0, 1], atol=1e-12)
    np.testing.assert_allclose(plane.front[0], [0, 1, 0], atol=1e-12)
    np.testing.assert_allclose(plane.side[0], [1 if hand == "right" else -1, 0, 0], atol=1e-12)
    distance, front = tip_to_spine_plane_m(body)
    assert distance[0] == pytest.approx(0.3)
    assert front[0] == pytest.approx(-0.3)
    assert read("spine_plane_min", body) == pytest.approx(0.3)


def test_a_tip_that_crosses_is_negative_and_says_where():
    pose = dict(RIGHT_HANDER, right_hip=(0.1, 0.0, 1.0), left_hip=(-0.1, 0.0, 1.0))
    body = still(pose, "right")
    xyz = body.xyz_m.copy()
    tip = KEYPOINTS.index("racket_tip")
    crossing = (T > 1.1) & (T < 1.2)
    xyz[crossing, tip, 0] = -0.12
    reading = MEASURES["spine_plane_min"].compute(
        Serve(Body(T, KEYPOINTS, xyz, body.velocity_m_s, "right"), EVENTS, Athlete())
    )
    assert reading.value == pytest.approx(-0.12)
    assert 1.1 < (reading.t_s or 0) < 1.2
    assert "across" in reading.note
    assert "behind" in reading.note


def test_events_in_the_wrong_order_make_it_absent():
    turned = Events(
        tuple(
            Event(e.name, 1.5, 0.01) if e.name == "trophy" else e for e in EVENTS.events
        )  # after the low point
    )
    reading = MEASURES["spine_plane_min"].compute(Serve(still(RIGHT_HANDER, "right"), turned, Athlete()))
    assert reading.value is None
    assert "after" in reading.reason


def test_a_tip_lost_where_it_matters_makes_it_absent():
    body = still(RIGHT_HANDER, "right")
    xyz = body.xyz_m.copy()
    tip = KEYPOINTS.index("racket_tip")
    xyz[:, tip, 0] = 0.1 + 2 * np.abs(T - 1.15)  # closest at 1.15 s
    seen = MEASURES["spine_plane_min"].compute(
        Serve(Body(T, KEYPOINTS, xyz, body.velocity_m_s, "right"), EVENTS, Athlete())
    )
    xyz[np.abs(T - 1.15) < 0.03, tip] = np.nan
    lost = MEASURES["spine_plane_min"].compute(
        Serve(Body(T, KEYPOINTS, xyz, body.velocity_m_s, "right"), EVENTS, Athlete())
    )
    assert seen.value == pytest.approx(0.1, abs=0.05)
    assert lost.value is None
    assert "lost from sight" in lost.reason


def test_a_measure_that_its_own_uncertainty_takes_away_is_absent():
    """Contact at 1.6 ± 0.1 s, and a tip that is seen from 1.59 to 1.61 s only: most draws miss it."""
    xyz = still(RIGHT_HANDER, "right").xyz_m.copy()
    xyz[np.abs(T - 1.6) > 0.01, KEYPOINTS.index("racket_tip")] = np.nan
    motion = as_motion(Body(T, KEYPOINTS, xyz, np.where(np.isnan(xyz), np.nan, 0.0), "right"))
    unsure = Events(tuple(Event("contact", 1.6, 0.1) if e.name == "contact" else e for e in EVENTS.events))
    height = measure(motion, unsure, "right", Athlete(), []).of("contact_height")
    assert height.value is None
    assert "event times" in height.reason


def test_a_heading_gathered_over_a_whole_turn_is_told_plainly():
    body = still(RIGHT_HANDER, "right")
    xyz = body.xyz_m.copy()
    heel, toe = (KEYPOINTS.index(f"left_{p}") for p in ("heel", "toe"))
    turning = T < 0.08  # once round before the stance
    angle = np.pi / 4 - 2 * np.pi * T[turning] / 0.08
    xyz[turning, toe] = xyz[turning, heel] + 0.28 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    body = Body(T, KEYPOINTS, xyz, body.velocity_m_s, "right")
    assert abs(foot_yaw_rad(body, "front")[-1] - np.pi / 4) > 6
    for event in ("stance", "push_off"):
        assert read(f"front_foot_yaw_{event}", body) == pytest.approx(np.pi / 4)


def test_front_foot_turn_is_positive_towards_the_net():
    for hand in ("right", "left"):
        pose = RIGHT_HANDER if hand == "right" else mirrored(RIGHT_HANDER)
        body = still(pose, hand)
        xyz = body.xyz_m.copy()
        heel, toe = (KEYPOINTS.index(f"{'left' if hand == 'right' else 'right'}_{p}") for p in ("heel", "toe"))
        late = T > 1.2
        xyz[late, toe] = xyz[late, heel] + [0.0, 0.28, 0.0]  # straight at the net
        body = Body(T, KEYPOINTS, xyz, body.velocity_m_s, hand)
        assert read("front_foot_turn", body) == pytest.approx(np.pi / 4)
        np.testing.assert_allclose(foot_yaw_rad(body, "front")[-1], np.pi / 2)


@pytest.mark.parametrize("degrees", [0.5, 30, 90, 150, 179.5])
def test_interior_angle_is_accurate_at_both_ends(degrees):
    a = np.deg2rad(degrees)
    got = interior_angle_rad(np.array([1.0, 0, 0]), np.zeros(3), np.array([np.cos(a), np.sin(a), 0.0]))
    assert got == pytest.approx(a, abs=1e-12)


def test_a_foot_in_the_air_is_no_fault():
    body = still(RIGHT_HANDER, "right")
    xyz, velocity = body.xyz_m.copy(), body.velocity_m_s.copy()
    toe = KEYPOINTS.index("left_toe")
    air = T > 1.3
    xyz[air, toe] += [0.0, 0.5, 0.4]  # over the line, but up
    assert read("foot_fault_clearance", Body(T, KEYPOINTS, xyz, velocity, "right")) == pytest.approx(0.085)
    xyz[air, toe, 2] -= 0.4  # and now on the ground
    assert read("foot_fault_clearance", Body(T, KEYPOINTS, xyz, velocity, "right")) == pytest.approx(-0.415)


def test_what_is_missing_is_absent_with_a_reason():
    pose = {k: v for k, v in RIGHT_HANDER.items() if not k.startswith("racket")}
    body = still(pose, "right")
    for name in ("spine_plane_min", "spine_plane_at_trophy", "contact_height"):
        reading = MEASURES[name].compute(Serve(body, EVENTS, Athlete()))
        assert reading.value is None
        assert "racket" in reading.reason
    without = Events(tuple(Event(n, None, None, "nothing moved") for n in EVENT_NAMES))
    for definition in MEASURES.values():
        reading = definition.compute(Serve(still(RIGHT_HANDER, "right"), without, Athlete()))
        assert reading.value is None
        assert reading.reason


def as_motion(body: Body) -> Motion:
    present = ~np.isnan(body.xyz_m).any(axis=2)
    status = np.where(present, PointStatus.OK, PointStatus.TOO_FEW_VIEWS)
    cov = np.where(present[..., None, None], np.eye(3) * 1e-6, np.nan)
    return Motion("court", KEYPOINTS, body.t_s, body.xyz_m, body.velocity_m_s, cov, status)


def test_uncertainty_of_a_distance_is_that_of_its_point(rng):
    """All points moved together by N(0, 1 cm) along y: the hip's distance from the line has u = 1 cm."""
    body = still(RIGHT_HANDER, "right")
    shift = rng.normal(0, 0.01, (400, 1, 1, 1)) * np.array([0.0, 1.0, 0.0])
    moved = np.broadcast_to(shift, (400, *body.xyz_m.shape))
    measures = measure(as_motion(body), EVENTS, "right", Athlete(), [Displacements("pixels", moved)])
    hip = measures.of("hip_past_baseline_trophy")
    assert hip.u == pytest.approx(0.01, rel=0.12)
    assert hip.high95 - hip.value == pytest.approx(1.96 * hip.u)
    relative = measures.of("hip_past_front_toe_max")
    assert relative.sources.get("pixels", 0.0) < 1e-9


def test_foot_fault_words_follow_the_interval():
    """85 mm behind with u of about 10 mm (the shoe's outline alone) is clear; 10 mm behind cannot be told."""
    words = {}
    for toe_y in (-0.10, -0.025, 0.1):
        pose = dict(RIGHT_HANDER, left_toe=(0.0, toe_y, 0.03))
        measures = measure(as_motion(still(pose, "right")), EVENTS, "right", Athlete(), [])
        words[toe_y] = measures.of("foot_fault_clearance").note
    assert words == {-0.10: "clear", -0.025: "cannot be told", 0.1: "touching"}
