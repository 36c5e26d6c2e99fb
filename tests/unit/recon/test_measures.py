"""Every measure on a pose whose value can be computed by hand, for both hands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.body import Body, foot_yaw_rad, interior_angle_rad, spine_plane, tip_to_spine_plane_m
from recon.measures import MEASURES, Athlete, Reading, Serve, measure
from recon.measures.swing import SEQUENCE, order
from recon.records import (
    EVENT_NAMES,
    KEYPOINTS,
    BallFlight,
    Event,
    Events,
    Motion,
    PointStatus,
    other_side,
)
from recon.uncertainty import Displacements

T = np.linspace(0.0, 2.0, 241)
TIMES = {
    "stance": 0.2, "start": 0.3, "lift_start": 0.4, "release": 0.6, "knee_bend_onset": 0.65, "trophy": 0.9,
    "deepest_bend": 1.0, "push_off": 1.3, "racket_low": 1.4, "contact": 1.6, "landing": 1.75, "settled": 1.95,
}  # fmt: skip
EVENTS = Events(tuple(Event(n, TIMES[n], 0.005) for n in EVENT_NAMES))

RIGHT_HANDER = {
    "right_shoulder": (0.2, 0.0, 1.5), "left_shoulder": (-0.2, 0.0, 1.5),
    "right_hip": (0.1, 0.10, 1.0), "left_hip": (-0.1, 0.14, 1.0),
    "right_elbow": (0.5, 0.0, 1.5), "right_wrist": (0.5, 0.0, 1.8),
    "left_elbow": (-0.4, 0.0, 1.7), "left_wrist": (-0.5, 0.1, 2.0),
    "right_index": (0.47, 0.0, 1.88), "right_pinky": (0.53, 0.0, 1.88),
    "left_index": (-0.47, 0.1, 2.08), "left_pinky": (-0.53, 0.1, 2.08),
    "left_knee": (-0.1, 0.14, 0.5), "left_ankle": (-0.1, -0.36, 0.5),
    "right_knee": (0.1, 0.10, 0.5), "right_ankle": (0.1, 0.10, 0.1),
    "left_heel": (-0.2, -0.30, 0.03), "left_toe": (0.0, -0.10, 0.03),
    "right_heel": (0.2, -0.60, 0.03), "right_toe": (0.2, -0.40, 0.03),
    "nose": (0.0, 0.1, 1.7), "left_ear": (-0.07, 0.0, 1.7), "right_ear": (0.07, 0.0, 1.7),
    "left_eye": (-0.03, 0.09, 1.72), "right_eye": (0.03, 0.09, 1.72),
    "racket_tip": (0.3, -0.3, 2.0), "racket_throat": (0.3, -0.2, 2.2), "racket_butt": (0.4, 0.0, 1.9),
}  # fmt: skip
"""A made-up still pose of a right-hander facing +y with mid-hip at y = 0.12: the trunk leans back."""

LEAN = np.arctan2(0.12, 0.5)


def tossed(hand: str) -> BallFlight:
    """A second in the air from (-0.4, 0.2, 2.0) at release to (-0.3, 0.5, 2.0) at contact, then struck."""
    x = 1.0 if hand == "right" else -1.0
    return BallFlight(
        t0_s=0.6, t1_s=1.6, position_m=np.array([-0.4 * x, 0.2, 2.0]),
        velocity_m_s=np.array([0.1 * x, 0.3, 9.81 / 2]), gravity_m_s2=9.81, u_gravity_m_s2=0.01, rms_m=0.001,
        release_s=0.6, contact_s=1.6, struck_velocity_m_s=np.array([0.0, 40.0, -3.0]), struck_sightings=5,
    )  # fmt: skip


def still(pose: dict[str, tuple[float, float, float]], handedness: str) -> Body:
    xyz = np.full((len(T), len(KEYPOINTS), 3), np.nan)
    for name, place in pose.items():
        xyz[:, KEYPOINTS.index(name)] = place
    return Body(T, KEYPOINTS, xyz, np.where(np.isnan(xyz), np.nan, 0.0), handedness)


def mirrored(pose):
    """The same pose of a left-hander: everything mirrored in x, left and right exchanged."""
    return {other_side(name): (-x, y, z) for name, (x, y, z) in pose.items()}


def posed(hand: str, **changed: tuple[float, float, float]) -> Body:
    pose = RIGHT_HANDER | changed
    return still(pose if hand == "right" else mirrored(pose), hand)


def moving(hand: str, **paths: np.ndarray) -> Body:
    """The still pose with some points (T, 3) moving, told for a right-hander."""
    xyz = still(RIGHT_HANDER, "right").xyz_m.copy()
    for name, path in paths.items():
        xyz[:, KEYPOINTS.index(name)] = path
    if hand == "left":
        xyz = xyz[:, [KEYPOINTS.index(other_side(name)) for name in KEYPOINTS]] * [-1.0, 1.0, 1.0]
    return Body(T, KEYPOINTS, xyz, np.gradient(xyz, T, axis=0), hand)


def read(
    name: str,
    body: Body,
    athlete: Athlete | None = None,
    ball: BallFlight | None = None,
    events: Events = EVENTS,
) -> float | None:
    return taken(name, body, athlete, ball, events).value


def taken(
    name: str,
    body: Body,
    athlete: Athlete | None = None,
    ball: BallFlight | None = None,
    events: Events = EVENTS,
) -> Reading:
    return MEASURES[name].compute(Serve(body, events, athlete or Athlete(height_m=1.75), ball))


FOOT_M = 0.2 * np.sqrt(2)  # of the front foot; the back one is 0.2 m long
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
    "centre_mark_clearance": -0.025 - (0.2 - 0.195 * 0.2 + 0.125 * FOOT_M + 0.010),
    # the back foot's ball, a right foot's right
    "sideline_clearance": 4.115 - (0.2 + (0.08 + 0.19) * 0.2 + 0.010),
}
STILL_HAS_NONE = {
    "front_foot_pivot": "less than 5",
    "weight_towards_front": None,  # see test_weight_between_the_feet
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


def test_without_a_ball_the_racket_heads_middle_tells_contact():
    for hand in ("right", "left"):
        assert read("contact_height", posed(hand)) == pytest.approx(2.1)
        assert read("contact_past_baseline", posed(hand)) == pytest.approx(-0.25)
        assert "ball" in taken("toss_apex_height", posed(hand)).reason


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


def test_a_measure_that_its_own_uncertainty_takes_away_is_absent():
    """Contact at 1.6 ± 0.1 s, and a tip that is seen from 1.59 to 1.61 s only: most draws miss it."""
    xyz = still(RIGHT_HANDER, "right").xyz_m.copy()
    xyz[np.abs(T - 1.6) > 0.01, KEYPOINTS.index("racket_tip")] = np.nan
    motion = as_motion(Body(T, KEYPOINTS, xyz, np.where(np.isnan(xyz), np.nan, 0.0), "right"))
    unsure = Events(tuple(Event("contact", 1.6, 0.1) if e.name == "contact" else e for e in EVENTS.events))
    height = measure(motion, unsure, "right", Athlete(), []).measures.of("contact_height")
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
    measures = measure(as_motion(body), EVENTS, "right", Athlete(), [Displacements("pixels", moved)]).measures
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
        measures = measure(as_motion(still(pose, "right")), EVENTS, "right", Athlete(), []).measures
        words[toe_y] = measures.of("foot_fault_clearance").note
    assert words == {-0.10: "clear", -0.025: "cannot be told", 0.1: "touching"}


@pytest.mark.parametrize("hand", ["right", "left"])
def test_weight_between_the_feet(hand):
    """Every point but the feet at one place over a third of the line from back to front foot."""
    back, front = np.array([0.3, -0.7, 0.0]), np.array([-0.3, -0.1, 0.0])
    over = back + (front - back) / 3
    pose = {name: tuple(over + [0, 0, 1.0]) for name in RIGHT_HANDER if not name.startswith("racket")}
    for foot, place in (("right", back), ("left", front)):
        pose |= {f"{foot}_{part}": tuple(place + [0, y, 0.03]) for part, y in (("heel", -0.1), ("toe", 0.1))}
    found = read("weight_towards_front", still(pose if hand == "right" else mirrored(pose), hand))
    # a foot weighs 1.33 % and has its centre 42.145 % of the way from heel to toe
    line = front - back
    off = 0.0133 * (np.array([0, 0.2 * 0.42145 - 0.1, 0]) * 2 + (back - over) + (front - over))
    assert found == pytest.approx(1 / 3 + off @ line / (line @ line), abs=1e-4)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_pivot_is_where_the_foot_stays(hand):
    """The front foot turns by 30 degrees about the point three tenths of the way to the toe."""
    heel, toe = (np.array(RIGHT_HANDER[f"left_{part}"]) for part in ("heel", "toe"))
    middle = heel + 0.3 * (toe - heel)
    angle = np.radians(30) * np.clip((T - 0.7) / 0.5, 0, 1)
    ends, c, s = {}, np.cos(angle), np.sin(angle)
    for part, place in (("heel", heel), ("toe", toe)):
        d = place - middle
        ends[f"left_{part}"] = middle + np.stack(
            [c * d[0] - s * d[1], s * d[0] + c * d[1], 0 * angle],
            axis=1,
        )
    body = moving(hand, **ends)
    assert read("front_foot_pivot", body) == pytest.approx(0.3, abs=1e-6)
    assert read("front_foot_turn", body) == pytest.approx(np.radians(30))
    assert read("front_foot_turn_largest", body) == pytest.approx(np.radians(30))
    chord = 2 * 0.7 * FOOT_M * np.sin(np.radians(15))
    assert read("front_toe_slide", body) == pytest.approx(chord, abs=1e-6)
    assert read("front_toe_path", body) == pytest.approx(0.7 * FOOT_M * np.radians(30), rel=1e-3)
    assert read("front_heel_path", body) == pytest.approx(0.3 * FOOT_M * np.radians(30), rel=1e-3)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_foot_that_turns_and_comes_back_shows_in_its_largest_turn(hand):
    heel = np.array(RIGHT_HANDER["left_heel"])
    angle = np.pi / 4 - np.radians(20) * np.exp(-0.5 * ((T - 0.9) / 0.08) ** 2)
    toe = heel + FOOT_M * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    body = moving(hand, left_toe=toe)
    assert read("front_foot_turn", body) == pytest.approx(0, abs=1e-4)
    assert read("front_foot_turn_largest", body) == pytest.approx(-np.radians(20), abs=1e-4)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_the_back_foot_comes_up(hand):
    """It steps from (0.2, -0.5) to the middle between there and the front foot at (-0.1, -0.2): pinpoint."""
    step = np.array([-0.15, 0.15, 0.0]) * np.clip((T - 0.7) / 0.2, 0, 1)[:, None]
    ends = {f"right_{part}": np.array(RIGHT_HANDER[f"right_{part}"]) + step for part in ("heel", "toe")}
    body = moving(hand, **ends)
    reading = taken("stance_narrowing", body)
    assert reading.value == pytest.approx(0.5)
    assert reading.note == "pinpoint stance"
    assert read("back_foot_step", body) == pytest.approx(0.15 * np.sqrt(2))


@pytest.mark.parametrize("hand", ["right", "left"])
def test_the_back_foot_is_dragged_in(hand):
    """From deepest bend to push-off it goes 0.10 m straight at the front foot, and lifts by 20 mm half way."""
    share = np.clip((T - 1.0) / 0.3, 0, 1)
    towards = np.array([-0.3, 0.3, 0.0]) / np.hypot(0.3, 0.3)
    path = 0.1 * share[:, None] * towards + np.outer(0.02 * np.sin(np.pi * share), [0, 0, 1])
    ends = {f"right_{part}": np.array(RIGHT_HANDER[f"right_{part}"]) + path for part in ("heel", "toe")}
    body = moving(hand, **ends)
    assert read("back_foot_drag", body) == pytest.approx(0.1, abs=1e-6)
    assert read("back_foot_drag_inward", body) == pytest.approx(0.1, abs=1e-6)
    assert read("back_toe_lift", body) == pytest.approx(0.02, abs=1e-5)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_speeds_of_an_even_turn_and_rise(hand):
    """From 1.0 s on everything rises at 1.2 m/s, the shin swings straight at 3 rad/s, the wrist at 5 rad/s."""
    rise = np.outer(1.2 * np.clip(T - 1.0, 0, None), [0, 0, 1])
    paths = {name: np.array(place) + rise for name, place in RIGHT_HANDER.items()}
    bend = np.pi / 2 - 3.0 * np.clip(T - 1.0, 0, 0.4)
    knee = paths["left_knee"]
    paths["left_ankle"] = knee + 0.5 * np.stack([0 * T, -np.sin(bend), -np.cos(bend)], axis=1)
    inside = np.pi / 2 + 5.0 * np.clip(T - 1.2, 0, 0.25)
    elbow = paths["right_elbow"]
    paths["right_wrist"] = elbow + 0.3 * np.stack([-np.cos(inside), 0 * T, np.sin(inside)], axis=1)
    body = moving(hand, **paths)
    assert read("midhip_rise_speed", body) == pytest.approx(1.2, abs=1e-6)
    assert read("com_rise_speed", body) == pytest.approx(1.2, rel=0.05)
    assert read("front_knee_extension_speed", body) == pytest.approx(3.0, rel=1e-3)
    assert read("elbow_extension_speed", body) == pytest.approx(5.0, rel=1e-3)
    assert read("tip_speed_contact", body) == pytest.approx(1.2, abs=1e-6)
    assert 0.15 < (read("elbow_extension_speed_before_contact", body) or 0) < 0.4


@pytest.mark.parametrize("hand", ["right", "left"])
def test_lines_that_turn_to_the_net(hand):
    """The shoulder line turns from 90 degrees away at 4 rad/s, the hip line at 2 rad/s."""
    paths = {}
    for part, half, speed in (("shoulder", 0.2, 4.0), ("hip", 0.1, 2.0)):
        turn = np.pi / 2 - speed * np.clip(T - 1.2, 0, 0.3)
        line = half * np.stack([np.cos(turn), -np.sin(turn), 0 * T], axis=1)
        middle = np.array([0.0, 0.0, 1.5 if part == "shoulder" else 1.0])
        paths |= {f"right_{part}": middle + line, f"left_{part}": middle - line}
    body = moving(hand, **paths)
    assert read("hip_line_turn_trophy", body) == pytest.approx(np.pi / 2)
    assert read("trunk_turn_speed", body) == pytest.approx(4.0, rel=1e-3)
    assert read("pelvis_turn_speed", body) == pytest.approx(2.0, rel=1e-3)
    assert order(Serve(body, EVENTS, Athlete())).startswith("order here: ")


@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_forearm_that_comes_forward_about_the_upper_arm(hand):
    """Laid back to 170 degrees at the low point, it turns forward at 10 rad/s; the hand with it."""
    lay_back = np.radians(170) - 10.0 * np.clip(T - 1.4, 0, 0.2)
    elbow = np.array(RIGHT_HANDER["right_elbow"])
    upright = {
        "right_hip": np.tile([0.1, 0, 1.0], (len(T), 1)),
        "left_hip": np.tile([-0.1, 0, 1.0], (len(T), 1)),
    }
    wrist = elbow + 0.3 * np.stack([0 * T, np.cos(lay_back), np.sin(lay_back)], axis=1)
    body = moving(hand, right_wrist=wrist, **upright)
    assert read("forearm_lay_back", body) == pytest.approx(np.radians(170), abs=1e-3)
    assert read("shoulder_rotation_speed", body) == pytest.approx(10.0, rel=1e-3)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_hand_that_turns_about_the_forearm_pronates(hand):
    """A right forearm that points up: its thumb side goes from right over back to left, palm outward."""
    turn = 6.0 * np.clip(T - 1.6, 0, 0.1)
    wrist = np.array(RIGHT_HANDER["right_wrist"])
    across = 0.03 * np.stack([np.cos(turn), -np.sin(turn), 0 * T], axis=1)
    middle = wrist + [0, 0, 0.08]
    body = moving(hand, right_index=middle + across, right_pinky=middle - across)
    assert read("pronation_after_contact", body) == pytest.approx(0.6, abs=1e-3)


def test_sway_after_landing_adds_up():
    paths = {name: np.array(place) + np.outer(0.5 * np.clip(T - 1.75, 0, 0.2), [0, 1, 0])
             for name, place in RIGHT_HANDER.items()}  # fmt: skip
    assert read("landing_sway", moving("right", **paths)) == pytest.approx(0.1, abs=1e-3)


def test_the_side_of_the_serve_and_the_game_choose_the_lines():
    body = posed("right")
    deuce = read("centre_mark_clearance", body, Athlete(side="deuce"))
    advantage = read("centre_mark_clearance", body, Athlete(side="advantage"))
    assert deuce == pytest.approx(HAND_COMPUTED["centre_mark_clearance"])
    assert advantage == pytest.approx(-0.025 - (0.2 + 0.27 * 0.2 + 0.010))
    doubles = read("sideline_clearance", body, Athlete(game="doubles"))
    assert doubles == pytest.approx(HAND_COMPUTED["sideline_clearance"] + (10.97 - 8.23) / 2)
    assert "singles" in taken("sideline_clearance", body).note


def test_the_ball_moves_with_the_cameras_and_only_once():
    """A flight that answers to the cameras by 1 m a unit in z: release height gets exactly their errors."""
    by_cameras = np.zeros((13, 18))
    by_cameras[2, 0] = 1.0
    ball = replace(tossed("right"), by_cameras=by_cameras)
    errors = np.zeros((40, 18))
    errors[:, 0] = np.linspace(-0.02, 0.02, 40)
    body = posed("right")
    still_points = np.zeros((40, *body.xyz_m.shape))
    source = Displacements("calibration", still_points, errors)
    found = measure(as_motion(body), EVENTS, "right", Athlete(), [source], ball=ball).measures.of(
        "release_height"
    )
    assert found.sources["calibration"] == pytest.approx(errors[:, 0].std(ddof=1))
    assert found.u_systematic == pytest.approx(found.sources["calibration"])
    assert found.u_random == pytest.approx(0.0, abs=1e-9)
