"""Measures of movements worked out by hand, for both hands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.body import Body
from recon.measures import Athlete, Serve
from recon.measures.swing import order
from recon.records import EDGES, Events
from tests.support.posed import (
    EVENTS,
    FOOT_M,
    RIGHT_HANDER,
    T,
    mirrored,
    moving,
    posed,
    read,
    still,
    taken,
    tossed,
)


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
    # heel and toe stand at 0.3 s, and at release, trophy (12 degrees), deepest bend (18) and the end (30)
    turns = np.diff(np.radians([0.0, 12.0, 18.0, 30.0]))
    for part, radius in (("toe", 0.7 * FOOT_M), ("heel", 0.3 * FOOT_M)):
        assert read(f"front_{part}_slide", body) == pytest.approx(2 * radius * np.sin(np.radians(15)), rel=1e-3)
        way = 2 * radius * np.sin(turns / 2).sum()
        assert read(f"front_{part}_path", body) == pytest.approx(way, rel=2e-3)


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


def _with_edges(body: Body, across: np.ndarray) -> Body:
    """Edges of a racket's head at (T, 3) to both sides of its middle, told for a right-hander."""
    sign = np.array([body.h, 1.0, 1.0])
    middle = body.point("racket_tip") - sign * [0, 0, 0.15]
    edges = np.stack([middle - sign * across, middle + sign * across], axis=1)
    xyz = np.concatenate([body.xyz_m, edges], axis=1)
    return Body(T, (*body.keypoints, *EDGES), xyz, np.gradient(xyz, T, axis=0), body.handedness)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_face_that_turns_outward_about_the_forearm_pronates(hand):
    """As the knuckles above; that the hand keeps still, and that the racket tilts, change nothing."""
    turn = 9.0 * np.clip(T - 1.6, 0, 0.1)
    across = np.stack([0.13 * np.cos(turn), -0.13 * np.sin(turn), 0.05 * np.sin(turn)], axis=1)
    body = _with_edges(moving(hand), across)
    assert read("face_turn_after_contact", body) == pytest.approx(0.9, abs=1e-3)
    assert read("pronation_after_contact", body) == pytest.approx(0.0, abs=1e-9)


def test_a_face_lost_before_the_time_is_over_has_no_turn():
    across = np.tile([0.13, 0.0, 0.0], (len(T), 1))
    across[T > 1.65] = np.nan
    reading = taken("face_turn_after_contact", _with_edges(moving("right"), across))
    assert reading.value is None and "both edges" in reading.reason


def test_sway_after_landing_adds_up():
    paths = {name: np.array(place) + np.outer(0.5 * np.clip(T - 1.75, 0, 0.2), [0, 1, 0])
             for name, place in RIGHT_HANDER.items()}  # fmt: skip
    assert read("landing_sway", moving("right", **paths)) == pytest.approx(0.1, abs=1e-3)


@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_heel_that_is_drawn_along_as_it_lifts_has_not_slid(hand):
    """From 1.0 s on the heel goes up at 0.3 m/s and ahead at 0.5 m/s: it stood where it was."""
    gone = np.clip(T - 1.0, 0, None)
    heel = np.array(RIGHT_HANDER["left_heel"]) + np.outer(gone, [0.0, 0.5, 0.3])
    body = moving(hand, left_heel=heel)
    assert read("front_heel_slide", body) == pytest.approx(0.0, abs=0.004)
    assert read("front_heel_path", body) == pytest.approx(0.0, abs=0.004)


def test_the_ball_is_met_when_its_own_flight_says():
    """The event may lie elsewhere: 10 ms later the struck ball would be 40 cm on."""
    late = Events(tuple(replace(e, t_s=1.61) if e.name == "contact" else e for e in EVENTS.events))
    met = read("contact_past_baseline", posed("right"), ball=tossed("right"), events=late)
    assert met == pytest.approx(0.5)


def test_the_rise_in_the_push_begins_at_the_deepest_bend():
    """Everything rises at 1.2 m/s from 0.8 s on: from 1.0 s to 1.3 s that is 0.36 m."""
    rise = np.outer(1.2 * np.clip(T - 0.8, 0, None), [0, 0, 1])
    body = moving("right", **{name: np.array(place) + rise for name, place in RIGHT_HANDER.items()})
    assert read("com_rise", body) == pytest.approx(0.36, abs=1e-6)


@pytest.mark.parametrize(("bend_deg", "seen"), [(40.0, True), (30.0, True), (20.0, False)])
def test_a_nearly_straight_elbow_tells_no_lay_back(bend_deg, seen):
    elbow, bend = np.array(RIGHT_HANDER["right_elbow"]), np.radians(bend_deg)
    wrist = elbow + 0.3 * np.array([np.cos(bend), 0.0, np.sin(bend)])
    reading = taken("forearm_lay_back", posed("right", right_wrist=tuple(wrist)))
    assert (reading.value is not None) == seen
    assert seen or "nearly straight" in reading.reason


def test_a_face_along_the_spine_tells_no_plane():
    """Looking up for the toss: the nose 10 cm ahead of the ears and as far up as 21 or 29 degrees want it."""
    upright = {"right_hip": (0.1, 0.0, 1.0), "left_hip": (-0.1, 0.0, 1.0)}
    for off_deg, seen in ((21.0, False), (29.0, True)):
        nose = (0.0, 0.1, 1.7 + 0.1 / np.tan(np.radians(off_deg)))
        reading = taken("spine_plane_head_min", posed("right", nose=nose, **upright))
        assert (reading.value is not None) == seen, off_deg


@pytest.mark.parametrize("hand", ["right", "left"])
def test_who_lands_on_the_back_foot_is_measured_by_it(hand):
    """Both feet go up 0.3 m at 1.4 s, the back one comes down at 1.75 s, 0.5 m ahead."""
    up = np.outer(0.3 * ((T > 1.4) & (T < 2.5)), [0, 0, 1])
    ahead = np.outer(T > 1.4, [0, 0.5, 0]) + np.outer(0.3 * ((T > 1.4) & (T < 1.74)), [0, 0, 1])
    ends = {}
    for part in ("heel", "toe"):
        ends[f"left_{part}"] = np.array(RIGHT_HANDER[f"left_{part}"]) + up
        ends[f"right_{part}"] = np.array(RIGHT_HANDER[f"right_{part}"]) + ahead
    reading = taken("landing_distance", moving(hand, **ends))
    assert reading.value == pytest.approx(0.1) and reading.note == "back foot"
