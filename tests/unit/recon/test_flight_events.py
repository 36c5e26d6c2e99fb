"""The ball's flight with fitted gravity, its break, and the instants of an invented serve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.body import Body
from recon.events import EventOptions, detect_events
from recon.events.legs import rises_from, settled
from recon.flight import fit_flight
from recon.ground import GroundOptions, ground_contact, lands_at, leaves_at
from recon.records import KEYPOINTS, RACKET, BallFlight, Event, Points3D, PointStatus
from tests.support.example_motion import EVENT_TIMES_S, invented_motion
from tests.support.posed import RIGHT_HANDER, T, moving

RATE = 120.0
GRAVITY = 9.81


def ball_points(
    rng: np.random.Generator, *, sigma_m: float = 0.004, gravity: float = GRAVITY, hit: bool = True
):
    """Hand until 0.5 s, toss until 1.4 s, then struck at 45 m/s; some frames lost."""
    t = np.arange(0, 1.6, 1 / RATE)
    x0, v0 = np.array([0.3, 0.3, 1.8]), np.array([0.1, 0.25, 5.4])
    xyz = np.empty((len(t), 3))
    hand = t < 0.5
    lift = np.clip((t - 0.2) / 0.3, 0, 1)
    # a lift that ends with the release speed: position and velocity agree at 0.5 s
    xyz[hand] = x0 + (lift[hand, None] - 1) * v0 * 0.3 * (0.2 + 0.8 * lift[hand, None] ** 2)
    dt = (t - 0.5)[:, None]
    xyz[~hand] = (x0 + v0 * dt + np.array([0, 0, -gravity / 2]) * dt**2)[~hand]
    if hit:
        at = x0 + v0 * 0.9 + np.array([0, 0, -gravity / 2]) * 0.81
        struck = t > 1.4
        xyz[struck] = at + (t[struck, None] - 1.4) * np.array([-3.0, 44.0, -5.0])
    xyz += rng.normal(0, sigma_m, xyz.shape)
    seen = rng.random(len(t)) > 0.05
    full = np.full((len(t), len(KEYPOINTS), 3), np.nan)
    full[seen, KEYPOINTS.index("ball")] = xyz[seen]
    present = ~np.isnan(full).any(axis=2)
    cov = np.where(present[..., None, None], np.eye(3) * sigma_m**2, np.nan)
    status = np.where(present, PointStatus.OK, PointStatus.TOO_FEW_VIEWS)
    views = np.repeat(present[..., None], 2, axis=2)
    return Points3D("court", KEYPOINTS, ("a", "b"), t, full, cov, status, views)


def test_gravity_is_found_not_assumed(rng):
    for true in (9.81, 9.6):
        flight, _, _ = fit_flight(ball_points(rng, gravity=true))
        assert flight is not None
        assert abs(flight.gravity_m_s2 - true) < 4 * flight.u_gravity_m_s2
        assert flight.u_gravity_m_s2 < 0.1


def test_release_and_break_are_found(rng):
    flight, broken, _ = fit_flight(ball_points(rng))
    assert flight is not None
    assert flight.t0_s == pytest.approx(0.5, abs=3 * 0.022)
    assert flight.t1_s == pytest.approx(1.4, abs=0.02)
    assert broken is not None
    assert broken.t_s == pytest.approx(1.4, abs=4 * broken.u_s)


def test_no_ball_and_no_fall_say_so(rng):
    points = ball_points(rng)
    nothing = Points3D(
        points.frame, points.keypoints, points.cameras, points.t_s,
        np.full_like(points.xyz_m, np.nan), np.full_like(points.cov_m2, np.nan),
        np.full(points.status.shape, PointStatus.TOO_FEW_VIEWS), points.views,
    )  # fmt: skip
    flight, broken, why = fit_flight(nothing)
    assert flight is None
    assert broken is None
    assert "0 frames" in why
    rolling = points.xyz_m.copy()
    rolling[:, KEYPOINTS.index("ball"), 2] = np.where(
        np.isnan(rolling[:, KEYPOINTS.index("ball"), 2]), np.nan, 0.03
    )
    ground = Points3D(
        points.frame,
        points.keypoints,
        points.cameras,
        points.t_s,
        rolling,
        points.cov_m2,
        points.status,
        points.views,
    )
    assert fit_flight(ground)[0] is None


HIT = BallFlight(
    t0_s=0.9, t1_s=1.64, position_m=np.array([-0.3, 0.2, 1.9]), velocity_m_s=np.array([0.0, 0.3, 4.5]),
    gravity_m_s2=9.81, u_gravity_m_s2=0.02, rms_m=0.002, contact_s=1.65,
    struck_velocity_m_s=np.array([0.0, 40.0, 0.0]), struck_sightings=3,
)  # fmt: skip
"""A ball that was hit at 1.65 s; nobody said when it left the hand."""


def body_of(**paths: np.ndarray) -> Body:
    t = np.arange(0, 2.5, 1 / RATE)
    xyz = np.full((len(t), len(KEYPOINTS), 3), np.nan)
    for name, path in paths.items():
        xyz[:, KEYPOINTS.index(name)] = path
    return Body(t, KEYPOINTS, xyz, np.gradient(xyz, t, axis=0), "right")


def bump(t: np.ndarray, centre: float, width: float) -> np.ndarray:
    return np.exp(-0.5 * ((t - centre) / width) ** 2)


def invented_serve() -> Body:
    t = np.arange(0, 2.5, 1 / RATE)
    one, up = np.ones((len(t), 3)), np.array([0, 0, 1.0])
    bend = 0.25 * bump(t, 1.2, 0.12)[:, None] * up
    hop = 0.30 * bump(t, 1.75, 0.12)[:, None] * up * (t > 1.4)[:, None]
    reach = bump(t, 1.1, 0.16)[:, None]
    forward = np.array([0, 1.0, 0])
    # the tip goes down behind the trunk until 1.5 s, then up and forward through contact at 1.65 s
    down = np.interp(t, [0, 0.7, 1.2, 1.5, 1.65, 1.9, 2.5], [1.2, 1.2, 2.2, 0.9, 2.9, 0.6, 0.6])
    ahead = np.interp(t, [0, 0.7, 1.2, 1.5, 1.65, 1.9, 2.5], [0.2, 0.2, -0.4, -0.5, 0.6, 0.9, 0.9])
    smooth = np.hanning(15) / np.hanning(15).sum()
    down, ahead = (np.convolve(np.pad(v, 7, mode="edge"), smooth, mode="valid") for v in (down, ahead))
    tip = np.stack([0.3 + 0 * t, ahead, down], axis=1)
    return body_of(
        left_shoulder=one * [-0.2, 0, 1.5] - bend + hop, right_shoulder=one * [0.2, 0, 1.5] - bend + hop,
        left_hip=one * [-0.1, 0, 1.0] - bend + hop, right_hip=one * [0.1, 0, 1.0] - bend + hop,
        left_knee=one * [-0.1, 0, 0.5] + 0.6 * (bend @ up)[:, None] * forward + hop,
        right_knee=one * [0.1, 0, 0.5] + 0.6 * (bend @ up)[:, None] * forward + hop,
        left_ankle=one * [-0.1, 0, 0.1] + hop, right_ankle=one * [0.1, 0, 0.1] + hop,
        left_heel=one * [-0.1, -0.1, 0.03] + hop, left_toe=one * [-0.1, 0.1, 0.03] + hop,
        right_heel=one * [0.1, -0.1, 0.03] + hop, right_toe=one * [0.1, 0.1, 0.03] + hop,
        left_wrist=one * [-0.3, 0.2, 1.1] + 1.0 * reach * up, right_wrist=tip - [0, 0, 0.5],
        racket_butt=tip - [0, 0, 0.6], racket_tip=tip,
    )  # fmt: skip


def test_instants_of_an_invented_serve():
    body = invented_serve()
    events = detect_events(body, HIT)
    assert events.time("contact") == 1.65
    assert events.time("deepest_bend") == pytest.approx(1.2, abs=0.02)
    assert events.time("racket_low") == pytest.approx(1.5, abs=0.03)
    assert events.time("trophy") == pytest.approx(1.1, abs=0.02)
    start, push_off, landing = (events.time(n) for n in ("start", "push_off", "landing"))
    assert start is not None and 0.5 < start < 0.9
    assert push_off is not None and 1.45 < push_off < 1.55
    assert landing is not None and 1.75 < landing < 2.15


def test_a_foot_that_jumps_off_and_lands_is_told_by_half_its_speed():
    """Heights with corners, smoothed over 50 ms: 1.5 m/s from 1.0 s on, and down at 2 m/s until 1.4 s."""
    t = np.arange(0, 2.0, 1 / RATE)
    height = np.where(t < 1.2, 1.5 * np.clip(t - 1.0, 0, None), np.clip(2.0 * (1.4 - t), 0, None))
    kernel = np.hanning(15) / np.hanning(15).sum()
    smooth = np.convolve(np.pad(height, 7, mode="edge"), kernel, mode="valid")
    climb = np.gradient(smooth, t)
    around = np.abs(t - 1.0) < 0.12
    assert leaves_at(t[around], climb[around]) == pytest.approx(1.0, abs=0.003)
    around = np.abs(t - 1.4) < 0.1
    assert lands_at(t[around], climb[around]) == pytest.approx(1.4, abs=0.003)
    still = np.zeros(10)
    assert leaves_at(t[:10], still) is None
    assert lands_at(t[:10], np.full(10, np.nan)) is None


def test_onset_of_the_bend_and_of_the_lift():
    """A bend that speeds up evenly over 0.2 s passes a tenth of its greatest speed after 20 ms."""
    times = np.linspace(0.0, 1.0, 121)
    speed = np.clip((times - 0.5) / 0.2, 0, 1)
    assert rises_from(times, speed, 0.1) == pytest.approx(0.52, abs=1e-9)
    assert rises_from(times, speed + 0.2, 0.1) is None


def test_a_body_is_settled_once_it_stops_drifting():
    """It drifts at 0.5 m/s after landing at 1.2 s; until 1.6 s, or until the film ends."""
    lands = Event("landing", 1.2, 0.01)
    times = {}
    for stop in (1.6, 9.0):
        drift = np.outer(0.5 * np.clip(T, 1.2, stop), [0.0, 1.0, 0.0])
        body = moving("right", **{name: np.array(place) + drift for name, place in RIGHT_HANDER.items()})
        times[stop] = settled(body, lands, EventOptions())
    assert times[1.6].t_s == pytest.approx(1.6, abs=0.01)
    assert times[9.0].t_s is None and "film a second longer" in times[9.0].reason


def test_what_is_known_of_start_and_release_is_taken():
    body = invented_serve()
    begin = Event("start", 0.66, 0.02)
    found = detect_events(body, replace(HIT, release_s=0.97), start=begin)
    assert found.of("start") == begin and found.time("stance") == pytest.approx(0.56)
    assert found.time("release") == 0.97
    assert detect_events(body, HIT).time("release") == HIT.t0_s


def test_push_off_is_told_by_the_part_that_leaves_last():
    """The heel comes up at 1.44 s, the toe at 1.50 s, both at 1.5 m/s."""
    body = invented_serve()
    xyz = body.xyz_m.copy()
    for part, at in (("heel", 1.44), ("toe", 1.50)):
        gone = 1.5 * np.clip(body.t_s - at, 0, None)
        xyz[:, KEYPOINTS.index(f"left_{part}"), 2] = 0.03 + gone
    lifting = Body(body.t_s, KEYPOINTS, xyz, np.gradient(xyz, body.t_s, axis=0), "right")
    assert detect_events(lifting, HIT).time("push_off") == pytest.approx(1.50, abs=0.006)


def test_without_a_racket_the_forearm_tells_the_low_point():
    t, xyz, _, _ = invented_motion("right")
    for name in RACKET:
        xyz[:, KEYPOINTS.index(name)] = np.nan
    events = detect_events(Body(t, KEYPOINTS, xyz, np.gradient(xyz, t, axis=0), "right"), None)
    low = events.of("racket_low")
    assert low.t_s == pytest.approx(EVENT_TIMES_S["racket_low"], abs=3 * (low.u_s or 0))
    trophy = events.time("trophy")
    height = xyz[:, KEYPOINTS.index("left_wrist"), 2]
    assert trophy == pytest.approx(t[height.argmax()], abs=0.02)


def test_a_foot_that_is_not_seen_is_not_in_the_air():
    body = invented_serve()
    xyz = body.xyz_m.copy()
    for part in ("heel", "toe"):
        xyz[body.t_s > 1.0, KEYPOINTS.index(f"left_{part}")] = np.nan
    events = detect_events(Body(body.t_s, KEYPOINTS, xyz, body.velocity_m_s, "right"), HIT)
    assert events.time("push_off") is None
    assert "lost from sight" in events.of("push_off").reason


def test_a_clip_that_begins_in_the_motion_has_no_start():
    body = invented_serve()
    late = body.t_s > 0.75
    cut = Body(body.t_s[late], KEYPOINTS, body.xyz_m[late], body.velocity_m_s[late], "right")
    events = detect_events(cut, HIT)
    assert events.time("start") is None
    assert events.time("stance") is None
    assert "rest" in events.of("start").reason


def test_a_racket_tip_alone_is_no_hand():
    body = invented_serve()
    xyz = body.xyz_m.copy()
    for name in ("left_wrist", "right_wrist", "racket_butt"):
        xyz[:, KEYPOINTS.index(name)] = np.nan
    events = detect_events(Body(body.t_s, KEYPOINTS, xyz, body.velocity_m_s, "right"), HIT)
    assert "neither" in events.of("start").reason


def test_events_that_need_a_missing_one_name_it():
    t = np.arange(0, 2.5, 1 / RATE)
    body = body_of(right_wrist=np.ones((len(t), 3)), left_wrist=np.ones((len(t), 3)))
    events = detect_events(body, None)
    assert "faster" in events.of("contact").reason
    assert "contact" in events.of("start").reason
    assert "racket_low" in events.of("trophy").reason


def test_a_foot_that_slides_is_on_the_ground():
    t = np.arange(0, 2.5, 1 / RATE)
    slide = np.stack([0 * t, 0.5 * t, 0.03 + 0 * t], axis=1)
    lifted = slide + np.array([0, 0, 0.2]) * bump(t, 1.5, 0.1)[:, None]
    body = body_of(left_toe=slide, right_toe=lifted)
    assert ground_contact(body, "front", "toe", stance_s=(0.0, 0.3)).all()
    back = ground_contact(body, "back", "toe", stance_s=(0.0, 0.3))
    assert not back[np.abs(t - 1.5) < 0.12].any()
    assert back[t < 1.1].all()
    assert back[t > 1.9].all()


def test_contact_holds_until_height_or_climb_is_half_as_much_again(rng):
    t = np.arange(0, 2.5, 1 / RATE)
    height = np.abs(np.cumsum(rng.normal(0, 0.01, len(t))))
    height[rng.random(len(t)) < 0.05] = np.nan
    body = body_of(left_toe=np.stack([0 * t, 0 * t, height], axis=1))
    limits = GroundOptions(rise_m=0.03, speed_m_s=0.6)
    down = ground_contact(body, "front", "toe", stance_s=(9.0, 9.0), options=limits)
    over = height - np.nanpercentile(height, 10)
    climb = np.abs(body.rate("left_toe")[:, 2])
    state = False
    for k in range(len(t)):
        more = 1.5 if state else 1.0
        state = bool(over[k] < more * 0.03 and climb[k] < more * 0.6)
        assert down[k] == state
    assert 0.05 < down.mean() < 0.95
