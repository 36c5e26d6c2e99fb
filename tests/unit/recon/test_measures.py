"""Every measure on a pose whose value can be computed by hand, for both hands."""

from __future__ import annotations

import numpy as np
import pytest

from recon.body import Body, foot_yaw_rad, interior_angle_rad, spine_plane, tip_to_spine_plane_m
from recon.measures import MEASURES, Athlete, Serve
from recon.measures.swing import SEQUENCE
from recon.records import EVENT_NAMES, KEYPOINTS, Event, Events
from tests.support.posed import (
    EVENTS,
    FOOT_M,
    LEAN,
    RIGHT_HANDER,
    T,
    mirrored,
    posed,
    read,
    still,
    taken,
    tossed,
)

HAND_COMPUTED = {
    "spine_plane_min": 0.3,
    "spine_plane_depth": 0.0,
    "spine_plane_time_across": 0.0,
    "spine_plane_at_trophy": 0.3,
    "spine_plane_head_min": 0.3,
    "hip_past_baseline_max": 0.14,
    "hip_past_baseline_trophy": 0.14,
    "hip_past_baseline_contact": 0.14,
    "midhip_past_baseline_max": 0.12,
    "midhip_past_baseline_trophy": 0.12,
    "midhip_past_baseline_contact": 0.12,
    "hip_past_front_toe_max": 0.24,
    "front_foot_yaw_stance": np.pi / 4,
    "front_foot_yaw_deepest_bend": np.pi / 4,
    "front_foot_yaw_push_off": np.pi / 4,
    "front_foot_turn": 0.0,
    "front_foot_turn_largest": 0.0,
    "front_toe_path": 0.0,
    "front_heel_path": 0.0,
    "front_toe_slide": 0.0,
    "front_heel_slide": 0.0,
    "stance_narrowing": 1.0,
    "back_foot_step": 0.0,
    "back_foot_yaw_stance": np.pi / 2,
    "front_toe_clearance": 0.0,
    # between (0.2, 0, -0.2) and (-0.1, 0.1, 0.3), seen from the elbow
    "tossing_elbow_mean": np.arccos(-0.08 / np.sqrt(0.08 * 0.11)),
    "tossing_elbow_min": np.arccos(-0.08 / np.sqrt(0.08 * 0.11)),
    # the nearest point of the thigh is the hip, (-0.4, -0.04, 1.0) away
    "lift_start_from_thigh": np.sqrt(0.16 + 0.0016 + 1.0),
    "toss_sweep": np.arctan2(-0.1, -0.3),
    "release_height": 2.0,
    "release_over_eyes": 0.28,
    "toss_apex_height": 2.0 + 9.81 / 8,
    "toss_drift_side": 0.1,
    "toss_drift_forward": 0.3,
    "knee_bend_onset_after_release": 0.05,
    "front_knee_flexion_trophy": np.pi / 2,
    "front_knee_flexion_deepest": np.pi / 2,
    "back_knee_flexion_trophy": 0.0,
    "back_knee_flexion_deepest": 0.0,
    "front_ankle_dorsiflexion_max": np.pi / 4,
    "back_ankle_dorsiflexion_max": 0.0,
    "trunk_inclination_trophy": LEAN,
    "trunk_lean_forward_trophy": -LEAN,
    "trunk_lean_side_trophy": 0.0,
    # square to the spine, the hip line goes 0.2 m sideways and 0.04 cos(lean) back
    "hip_shoulder_separation_trophy": -np.arctan2(0.04 * np.cos(LEAN), 0.2),
    "hip_line_turn_trophy": np.arctan2(0.04, 0.2),
    "shoulder_line_turn_trophy": 0.0,
    "elbow_angle_trophy": np.pi / 2,
    "elbow_off_shoulder_line": 0.0,
    "elbow_over_shoulders": 0.0,
    "tip_to_tossing_hand": np.sqrt(0.64 + 0.16),
    "tip_to_tossing_hand_ratio": np.sqrt((0.64 + 0.16) / 0.11),
    "back_foot_drag": 0.0,
    "back_foot_drag_inward": 0.0,
    "back_toe_lift": 0.0,
    "front_knee_extension_speed": 0.0,
    "back_knee_extension_speed": 0.0,
    "com_rise_speed": 0.0,
    "midhip_rise_speed": 0.0,
    "com_rise": 0.0,
    "wrist_below_elbow": -0.3,
    "tip_below_wrist": -0.2,
    "forearm_lay_back": np.pi / 2 - LEAN,
    "pelvis_turn_speed": 0.0,
    "trunk_turn_speed": 0.0,
    "elbow_extension_speed": 0.0,
    "shoulder_rotation_speed": 0.0,
    "tip_speed_peak": 0.0,
    "contact_height": 2.0,
    "contact_height_ratio": 2.0 / 1.75,
    "contact_past_baseline": 0.5,
    "contact_past_front_toe": 0.6,
    "contact_beside_front_toe": -0.3,
    "contact_ahead_of_head": 0.5,
    "contact_beside_head": -0.3,
    "elbow_flexion_contact": np.pi / 2,
    "shoulder_elevation_contact": np.pi / 2,
    "trunk_above_horizontal_contact": np.pi / 2 - LEAN,
    "tip_speed_contact": 0.0,
    "ball_speed": np.sqrt(1609.0),
    # the nearest point of the spine is mid-shoulder, (-0.5, 0.1, 0.5) away
    "tossing_wrist_to_trunk": np.sqrt(0.25 + 0.01 + 0.25),
    "pronation_after_contact": 0.0,
    "landing_distance": -0.1,
    "landing_time_to_settled": 0.2,
    "trunk_inclination_landing": LEAN,
    "landing_sway": 0.0,
    # the toes' disc along 45 degrees: 0.10 L behind the toe, 0.05 L outwards (a left foot's left), 0.11 L wide
    "foot_fault_clearance": 0.1 + 0.2 * (0.10 - 0.05) - 0.11 * FOOT_M - 0.010,
    # the front heel's disc, beyond the mark: the heel lies at x = -0.2
    "centre_mark_clearance": -0.025 - (0.2 - 0.235 * 0.2 + 0.125 * FOOT_M + 0.010),
    # the back foot's ball, a right foot's right
    "sideline_clearance": 4.115 - (0.2 + (0.08 + 0.19) * 0.2 + 0.010),
}
STILL_HAS_NONE = {
    "front_foot_pivot": "less than 5",
    "weight_towards_front": None,  # see test_weight_between_the_feet
    "face_turn_after_contact": "no tape or click",
}
PEAKS = {f"{link}_before_contact" for link, _, _ in SEQUENCE}


def test_every_measure_is_worked_out_by_hand_somewhere():
    assert set(HAND_COMPUTED) | set(STILL_HAS_NONE) | PEAKS == set(MEASURES)


@pytest.mark.parametrize("name", sorted(HAND_COMPUTED))
@pytest.mark.parametrize("hand", ["right", "left"])
def test_still_pose(name, hand):
    assert read(name, posed(hand), ball=tossed(hand)) == pytest.approx(HAND_COMPUTED[name], abs=1e-9)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_foot_that_does_not_turn_has_no_pivot(hand):
    assert STILL_HAS_NONE["front_foot_pivot"] in taken("front_foot_pivot", posed(hand)).reason


@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_head_without_edges_tells_no_turn_of_the_face(hand):
    assert STILL_HAS_NONE["face_turn_after_contact"] in taken("face_turn_after_contact", posed(hand)).reason


def test_without_a_ball_the_racket_heads_middle_tells_contact():
    for hand in ("right", "left"):
        assert read("contact_height", posed(hand)) == pytest.approx(2.1)
        assert read("contact_past_baseline", posed(hand)) == pytest.approx(-0.25)
        assert "ball" in taken("toss_apex_height", posed(hand)).reason
        assert "own greatest speed" in taken("tip_speed_peak_before_contact", posed(hand)).reason


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
    xyz[:, tip, 0] = 0.3 - 0.42 * np.exp(-0.5 * ((T - 1.15) / 0.05) ** 2)
    reading = MEASURES["spine_plane_min"].compute(
        Serve(Body(T, KEYPOINTS, xyz, body.velocity_m_s, "right"), EVENTS, Athlete())
    )
    assert reading.value == pytest.approx(-0.12, abs=1e-4)
    assert reading.t_s == pytest.approx(1.15, abs=1e-3)
    serve = Serve(Body(T, KEYPOINTS, xyz, body.velocity_m_s, "right"), EVENTS, Athlete())
    assert MEASURES["spine_plane_depth"].compute(serve).value == pytest.approx(0.12, abs=1e-4)
    half = 0.05 * np.sqrt(2 * np.log(0.42 / 0.3))  # where the dip meets zero
    assert MEASURES["spine_plane_time_across"].compute(serve).value == pytest.approx(2 * half, abs=1e-4)
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


def test_a_closest_point_seen_between_rises_needs_no_long_stretch():
    body = posed("right")
    xyz = body.xyz_m.copy()
    tip = KEYPOINTS.index("racket_tip")
    xyz[:, tip, 0] = 0.1 + 2 * np.abs(T - 1.15)
    for half, seen in ((0.06, True), (0.01, False)):  # rises by 12 cm, by 2 cm
        few = xyz.copy()
        few[np.abs(T - 1.15) > half, tip] = np.nan
        serve = Serve(Body(T, KEYPOINTS, few, body.velocity_m_s, "right"), EVENTS, Athlete())
        reading = MEASURES["spine_plane_min"].compute(serve)
        assert (reading.value is not None) == seen, reading.reason
    assert "long enough" in reading.reason


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
    assert read("foot_fault_clearance", Body(T, KEYPOINTS, xyz, velocity, "right")) == pytest.approx(
        HAND_COMPUTED["foot_fault_clearance"]
    )
    xyz[air, toe, 2] -= 0.4  # and now on the ground: the toes' disc points 76 degrees into the court
    along = np.array([0.2, 0.7]) / np.hypot(0.2, 0.7)
    discs = ((-0.29, 0.08, 0.19), (-0.10, 0.05, 0.11))
    reach = 0.4 + 0.010 + FOOT_M * max(back * along[1] + out * along[0] + r for back, out, r in discs)
    assert read("foot_fault_clearance", Body(T, KEYPOINTS, xyz, velocity, "right")) == pytest.approx(-reach)


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


def test_the_side_of_the_serve_and_the_game_choose_the_lines():
    body = posed("right")
    deuce = read("centre_mark_clearance", body, Athlete(side="deuce"))
    advantage = read("centre_mark_clearance", body, Athlete(side="advantage"))
    assert deuce == pytest.approx(HAND_COMPUTED["centre_mark_clearance"])
    assert advantage == pytest.approx(-0.025 - (0.2 + 0.27 * 0.2 + 0.010))
    doubles = read("sideline_clearance", body, Athlete(game="doubles"))
    assert doubles == pytest.approx(HAND_COMPUTED["sideline_clearance"] + (10.97 - 8.23) / 2)
    assert "singles" in taken("sideline_clearance", body).note
