"""The scripted serves: physics, anatomy, planted feet, and the properties they are named for."""

from __future__ import annotations

import numpy as np
import pytest

from demo_rigs.appearance import dress
from demo_rigs.kinematics import curve
from demo_rigs.players import Skin
from demo_rigs.racket_ball import BALL_RADIUS_M, DRAG_PER_M, HEAD_CENTRE_M
from demo_rigs.truth import keypoints, truth_dataset

NAMES = ("clean_right", "compensating_left")


@pytest.fixture(scope="module")
def truths(academy, serves):
    return {n: truth_dataset(academy, academy.serve(n), serves[n]) for n in NAMES}


def point(data, name):
    return data.xyz_m.sel(keypoint=name).values


def arms(data):
    """(hitting, tossing) side."""
    return ("right", "left") if data.attrs["handedness"] == "right" else ("left", "right")


def at(data, event):
    return int(np.argmin(np.abs(data.time.values - data.attrs[f"event_{event}_s"])))


def speed(data, name):
    return np.linalg.norm(np.gradient(point(data, name), data.time.values, axis=0), axis=1)


def test_a_level_curve_does_not_creep_between_equal_keys():
    c = curve([[0, 0], [1, 2], [2, 2], [3, 0]], 0.01, level=True)
    assert np.ptp(c(np.linspace(1.1, 1.9, 50))) < 1e-12


@pytest.mark.parametrize("name", NAMES)
def test_feet_stand_exactly_still_in_the_stance(truths, name):
    data = truths[name]
    rest = data.time.values < 0.55
    for p in data.foot_point.values:
        assert np.ptp(point(data, p)[rest], axis=0).max() < 1e-9
        assert data.planted.sel(foot_point=p).values[rest].all()


@pytest.mark.parametrize("name", NAMES)
def test_shoes_never_sink_into_the_ground(serves, academy, name):
    serve = serves[name]
    dressed = dress(serve.body, academy.serve(name).athlete)
    skin = Skin(dressed.weights, dressed.vertices_m, dressed.normals)
    t = np.arange(0.5, 3.2, 0.05)
    moment = serve.at(t)
    lowest = min(skin.at(moment, k)[0][:, 2].min() for k in range(len(t)))
    assert -0.012 < lowest < 0.005


@pytest.mark.parametrize("name", NAMES)
def test_legs_reach_where_the_script_puts_the_feet(serves, name):
    stretch = serves[name].at(np.arange(-1.5, 3.6, 0.002)).stretch
    assert max(s.max() for s in stretch.values()) < 0.999


@pytest.mark.parametrize("name", NAMES)
def test_bones_keep_their_lengths(truths, name):
    data = truths[name]
    for side in ("left", "right"):
        for a, b in (("hip", "knee"), ("knee", "ankle"), ("shoulder", "elbow"), ("elbow", "wrist")):
            length = np.linalg.norm(point(data, f"{side}_{a}") - point(data, f"{side}_{b}"), axis=1)
            assert np.ptp(length) < 1e-6, (side, a, b)


@pytest.mark.parametrize("name", NAMES)
def test_ball_falls_with_g_and_meets_the_strings_at_contact(serves, name):
    serve, s = serves[name], serves[name].script
    t = np.linspace(s.release_s, s.contact_s, 60)
    velocity = np.gradient(serve.at(t).ball_m, t, axis=0)
    drag = DRAG_PER_M * np.linalg.norm(velocity, axis=1, keepdims=True) * velocity
    acceleration = np.gradient(velocity, t, axis=0)[2:-2]
    assert np.abs(acceleration + drag[2:-2] - [0, 0, -9.81]).max() < 2e-3
    moment = serve.at(np.array([s.contact_s]))
    hand = serve.body.index("wrist.R")
    head = moment.bone_R[0, hand] @ serve.grip.points(np.array([HEAD_CENTRE_M]))[0] + moment.bone_t_m[0, hand]
    head = head * (-1 if serve.mirrored else 1, 1, 1)
    assert np.linalg.norm(moment.ball_m[0] - head) == pytest.approx(BALL_RADIUS_M, abs=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_ball_leaves_the_hand_without_a_jump(serves, name):
    serve, release = serves[name], serves[name].script.release_s
    h = 1e-5
    b = serve.at(release + np.array([-2 * h, -h, 0.0, h, 2 * h])).ball_m
    before, after = (b[2] - b[1]) / h, (b[3] - b[2]) / h
    assert np.linalg.norm(after - before) < 0.02
    assert np.linalg.norm(serve.palm_velocity_gap()) < 1.2  # m/s that the opening fingers add


@pytest.mark.parametrize("name", NAMES)
def test_struck_ball_clears_the_net_and_lands_in_the_service_box(serves, name):
    serve, s = serves[name], serves[name].script
    t = s.contact_s + np.arange(0.001, 0.6, 0.0005)
    ball = serve.at(t).ball_m
    first = np.flatnonzero(ball[:, 2] < BALL_RADIUS_M + 0.002)[0]
    net = np.argmin(np.abs(ball[:first, 1] - 11.885))
    assert ball[net, 2] > 0.914 + BALL_RADIUS_M
    assert 11.885 < ball[first, 1] < 18.285
    across = ball[first, 0] * (1 if serve.mirrored else -1)  # into the box across the centre line
    assert 0 < across < 4.115
    assert 38 < np.linalg.norm(ball[1] - ball[0]) / 0.0005 < 50


@pytest.mark.parametrize("name", NAMES)
def test_racket_is_fast_at_contact_and_nothing_jitters(truths, name):
    data = truths[name]
    v, t = speed(data, "racket_tip"), data.time.values
    assert 35 < v.max() < 45
    assert abs(t[v.argmax()] - data.attrs["event_contact_s"]) < 0.03
    assert v[at(data, "contact")] > 0.93 * v.max()
    limits = {"racket_tip": 3500, "wrist": 1000, "elbow": 200, "hip": 60, "knee": 200, "ankle": 120, "nose": 80}
    for key, limit in limits.items():
        for side in ("",) if key in ("racket_tip", "nose") else ("left_", "right_"):
            a = np.gradient(np.gradient(point(data, side + key), t, axis=0), t, axis=0)
            assert np.linalg.norm(a, axis=1).max() < limit, side + key


@pytest.mark.parametrize("name", NAMES)
def test_order_of_events(truths, name):
    data = truths[name]
    order = ("start", "release", "trophy", "deepest_bend", "push_off", "contact", "landing")
    times = [data.attrs[f"event_{e}_s"] for e in order]
    assert times == sorted(times)
    assert data.attrs["event_racket_low_point_s"] < data.attrs["event_contact_s"]


@pytest.mark.parametrize("name", NAMES)
def test_contact_is_high_and_landing_is_on_the_front_foot_in_the_court(truths, name):
    data = truths[name]
    _, toss = arms(data)
    ratio = point(data, "ball")[at(data, "contact"), 2] / data.attrs["height_m"]
    assert 1.40 < ratio < 1.55
    landed = at(data, "landing") + 100
    assert point(data, f"{toss}_toe")[landed, 1] > 0.3
    assert data.planted.sel(foot_point=f"{toss}_toe").values[landed] == 1


def tip_distance(data):
    """d(t): racket tip from the spine plane, positive on the hitting side."""
    hit, toss = arms(data)
    middle = (point(data, "left_shoulder") + point(data, "right_shoulder")) / 2
    s = middle - (point(data, "left_hip") + point(data, "right_hip")) / 2
    s /= np.linalg.norm(s, axis=1, keepdims=True)
    n = point(data, f"{hit}_shoulder") - point(data, f"{toss}_shoulder")
    n -= (n * s).sum(axis=1, keepdims=True) * s
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    return ((point(data, "racket_tip") - middle) * n).sum(axis=1)


def front_yaw_deg(data):
    _, toss = arms(data)
    d = point(data, f"{toss}_toe") - point(data, f"{toss}_heel")
    h = 1 if data.attrs["handedness"] == "right" else -1
    return np.degrees(np.unwrap(np.arctan2(d[:, 1], h * d[:, 0])))


def elbow_deg(data):
    hit, _ = arms(data)
    a = point(data, f"{hit}_shoulder") - point(data, f"{hit}_elbow")
    b = point(data, f"{hit}_wrist") - point(data, f"{hit}_elbow")
    return np.degrees(np.arccos((a * b).sum(1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)))


def headline(data):
    hit, toss = arms(data)
    i = {e: at(data, e) for e in ("start", "release", "trophy", "racket_low_point", "push_off", "deepest_bend")}
    yaw = front_yaw_deg(data)
    return {
        "crossing_m": tip_distance(data)[i["trophy"] : i["racket_low_point"] + 1].min(),
        "hip_m": point(data, f"{toss}_hip")[i["release"] : i["push_off"] + 1, 1].max(),
        "turn_deg": yaw[i["push_off"]] - yaw[i["start"] - 50],
        "elbow_deg": elbow_deg(data)[i["trophy"]],
        "slide_m": np.linalg.norm(
            (point(data, f"{toss}_toe")[i["push_off"]] - point(data, f"{toss}_toe")[i["start"]])[:2]
        ),
        "stance_toe_y_m": point(data, f"{toss}_toe")[i["start"], 1],
        "drag_m": point(data, f"{hit}_toe")[i["push_off"], 1] - point(data, f"{hit}_toe")[i["start"], 1],
    }


def test_clean_serve_is_clean(truths):
    m = headline(truths["clean_right"])
    assert 0.0 < m["crossing_m"] < 0.10
    assert 0.12 < m["hip_m"] < 0.28
    assert abs(m["turn_deg"]) < 5
    assert abs(m["elbow_deg"] - 90) < 15
    assert m["slide_m"] < 0.005
    assert -0.12 < m["stance_toe_y_m"] < -0.02


def test_compensating_serve_compensates(truths):
    m = headline(truths["compensating_left"])
    assert -0.19 < m["crossing_m"] < -0.11
    assert m["hip_m"] > headline(truths["clean_right"])["hip_m"] + 0.05
    assert 25 < m["turn_deg"] < 36
    assert abs(m["elbow_deg"] - 90) > 30
    assert 0.06 < m["slide_m"] < 0.10
    assert m["drag_m"] > 0.25


def test_back_foot_drags_along_the_ground_only_in_the_compensating_serve(truths):
    for name, dragged in (("clean_right", False), ("compensating_left", True)):
        data = truths[name]
        hit, _ = arms(data)
        toe = point(data, f"{hit}_toe")
        part = slice(at(data, "start"), at(data, "push_off"))
        down = data.planted.sel(foot_point=f"{hit}_toe").values[part].astype(bool)
        path = np.linalg.norm(np.diff(toe[part, :2], axis=0), axis=1)[down[1:]].sum()
        assert (path > 0.25) == dragged and (path < 0.02) != dragged


def test_a_left_hander_is_the_mirror_image_of_the_same_script(serves):
    serve = serves["compensating_left"]
    moment = serve.at(np.array([1.7]))
    left = keypoints(serve, moment)
    assert left["left_wrist"][0, 0] * left["racket_butt"][0, 0] > 0
    hand = np.linalg.norm(left["left_wrist"] - left["racket_butt"])
    assert hand < 0.2 < np.linalg.norm(left["right_wrist"] - left["racket_butt"])
