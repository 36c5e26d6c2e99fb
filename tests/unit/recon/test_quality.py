"""Each sign of trouble is raised by the input that shows it, and by no sound one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.body import Body
from recon.quality import hand_flags, other_hand, quality_flags, unseen_flags
from recon.records import (
    EVENT_NAMES,
    KEYPOINTS,
    BallFlight,
    CameraTracks,
    Clock,
    Clocks,
    Event,
    Events,
    Points3D,
    PointStatus,
    Tracks2D,
)
from tests.support.example_motion import invented_motion

T = np.linspace(0, 2, 121)
CLOCKS = Clocks("a", (Clock("a", 0.0, 0.0), Clock("b", 0.7, 0.0004)))
FLIGHT = BallFlight(0.5, 1.3, [0, 0, 1.8], [0, 0.3, 5.0], 9.83, 0.03, 0.003)
TIMES = {"trophy": 1.0, "contact": 1.5}
EVENTS = Events(
    tuple(
        Event(n, TIMES[n], 0.01) if n in TIMES else Event(n, None, None, "not part of this test")
        for n in EVENT_NAMES
    )
)


def points(status: np.ndarray | None = None) -> Points3D:
    codes = np.full((len(T), len(KEYPOINTS)), PointStatus.OK) if status is None else status
    here = codes == PointStatus.OK
    xyz = np.where(here[..., None], 1.0, np.nan) * np.ones(3)
    cov = np.where(here[..., None, None], np.eye(3) * 1e-4, np.nan)
    return Points3D("court", KEYPOINTS, ("a", "b"), T, xyz, cov, codes, np.repeat(here[..., None], 2, axis=2))


def test_a_sound_serve_raises_nothing():
    assert quality_flags(CLOCKS, points(), FLIGHT, EVENTS) == ()
    assert quality_flags(CLOCKS, points(), None, EVENTS) == ()


def test_a_wrong_fall_is_said():
    (flag,) = quality_flags(CLOCKS, points(), replace(FLIGHT, gravity_m_s2=9.2), EVENTS)
    assert "9.20" in flag
    assert "frame rate" in flag
    unsure = replace(FLIGHT, gravity_m_s2=9.2, u_gravity_m_s2=0.4)
    assert quality_flags(CLOCKS, points(), unsure, EVENTS) == ()


@pytest.mark.parametrize(("recorded", "stamped"), [(240, 60), (120, 60), (240, 30), (60, 120)])
def test_a_film_stamped_with_another_rate_is_named(recorded: int, stamped: int) -> None:
    """Stamped s times too slow, the toss lasts s times as long: gravity comes out s² times smaller."""
    t = np.arange(121) / stamped
    seen = replace(points(), t_s=t)
    slow = recorded / stamped
    fall = replace(FLIGHT, gravity_m_s2=9.81 / slow**2, u_gravity_m_s2=0.03 / slow**2)
    (flag,) = quality_flags(CLOCKS, seen, fall, EVENTS)
    assert f"{recorded} pictures a second stamped as {stamped}" in flag


def test_a_fall_that_no_rate_explains_names_none() -> None:
    (flag,) = quality_flags(CLOCKS, points(), replace(FLIGHT, gravity_m_s2=8.6), EVENTS)
    assert "stamped" not in flag and "square size" in flag


def test_an_uncertain_clock_is_said_by_name():
    clocks = Clocks("a", (Clock("a", 0.0, 0.0), Clock("b", 0.7, 0.004)))
    (flag,) = quality_flags(clocks, points(), FLIGHT, EVENTS)
    assert "camera b" in flag
    assert "4.0 ms" in flag


def test_an_uncertain_shutter_is_said_by_name():
    """Half a readout, from the middle row to the edge, is what counts."""
    unsure = Clock("b", 0.7, 0.0004, readout_s=0.0083, u_readout_s=0.0048)
    (flag,) = quality_flags(Clocks("a", (CLOCKS.of("a"), unsure)), points(), FLIGHT, EVENTS)
    assert "camera b" in flag and "4.8 ms" in flag and "[shutter]" in flag
    surer = replace(unsure, u_readout_s=0.0024)
    assert quality_flags(Clocks("a", (CLOCKS.of("a"), surer)), points(), FLIGHT, EVENTS) == ()


def test_cameras_that_contradict_each_other():
    status = np.full((len(T), len(KEYPOINTS)), PointStatus.OK)
    status[:40] = PointStatus.OUTLIER
    (flag,) = quality_flags(CLOCKS, points(status), FLIGHT, EVENTS)
    assert "33%" in flag


def test_body_points_alone_are_no_fault():
    status = np.full((len(T), len(KEYPOINTS)), PointStatus.OK)
    status[:, KEYPOINTS.index("racket_tip")] = PointStatus.TOO_FEW_VIEWS
    assert quality_flags(CLOCKS, points(status), FLIGHT, EVENTS, racket=False) == ()
    assert quality_flags(CLOCKS, points(status), FLIGHT, EVENTS, racket=True)


def test_a_racket_that_was_hardly_seen():
    status = np.full((len(T), len(KEYPOINTS)), PointStatus.OK)
    status[(T > 1.05) & (T < 1.45), KEYPOINTS.index("racket_tip")] = PointStatus.TOO_FEW_VIEWS
    (flag,) = quality_flags(CLOCKS, points(status), FLIGHT, EVENTS)
    assert "racket tip" in flag


@pytest.mark.parametrize("racket", [True, False])
@pytest.mark.parametrize("true", ["right", "left"])
def test_the_wrong_hand_in_the_session_is_noticed(true, racket):
    t, xyz, _, _ = invented_motion(true)
    if not racket:
        for point in ("tip", "throat", "butt"):
            xyz[:, KEYPOINTS.index(f"racket_{point}")] = np.nan
    wrong = {"right": "left", "left": "right"}[true]
    assert other_hand(Body(t, KEYPOINTS, xyz, np.gradient(xyz, t, axis=0), true)) == ""
    seen = other_hand(Body(t, KEYPOINTS, xyz, np.gradient(xyz, t, axis=0), wrong))
    assert seen.endswith(f"the {true} hand") and hand_flags(true, "") == ()
    (flag,) = hand_flags(wrong, seen)
    assert f"says {wrong}-handed, but {seen}" in flag
    assert f'handedness = "{true}"' in flag
    assert ("racket" in flag) == racket


def test_hands_that_nobody_saw_tell_no_handedness():
    t, xyz, _, _ = invented_motion("right")
    xyz[:, KEYPOINTS.index("left_wrist")] = np.nan
    assert other_hand(Body(t, KEYPOINTS, xyz, np.gradient(xyz, t, axis=0), "left")) == ""


def test_one_gross_error_makes_no_hand_the_faster():
    t, xyz, _, _ = invented_motion("right")
    xyz[:, KEYPOINTS.index("racket_butt")] = np.nan
    rate = np.gradient(xyz, t, axis=0)
    rate[50, KEYPOINTS.index("left_wrist")] = (90.0, 0.0, 0.0)
    assert other_hand(Body(t, KEYPOINTS, xyz, rate, "right")) == ""


@pytest.mark.parametrize(("away_m", "doubted"), [(0.30, False), (0.50, True)])
def test_a_racket_a_little_nearer_to_the_other_hand_proves_nothing(away_m, doubted):
    """Its butt lies 0.2 m from the tossing wrist: the hitting one is doubted beyond twice as far."""
    t, xyz, _, _ = invented_motion("right")
    butt = xyz[:, KEYPOINTS.index("racket_butt")]
    xyz[:, KEYPOINTS.index("left_wrist")] = butt + [0.2, 0, 0]
    xyz[:, KEYPOINTS.index("right_wrist")] = butt - [away_m, 0, 0]
    seen = other_hand(Body(t, KEYPOINTS, xyz, np.gradient(xyz, t, axis=0), "right"))
    assert bool(seen) == doubted


def body_tracks(unseen_s: tuple[float, float], cameras: int = 3) -> tuple[Tracks2D, Clocks]:
    """Cameras a, b, c, with 0.5 s to add to a's time; the last one saw nobody for a while of rig time."""
    names = "abc"[:cameras]
    seen, clocks = [], []
    for name in names:
        ahead = 0.5 if name == "a" else 0.0
        rig_s = np.arange(0, 2.0, 1 / 60)
        uv = np.full((len(rig_s), len(KEYPOINTS), 2), 100.0)
        if name == names[-1]:
            uv[(rig_s > unseen_s[0]) & (rig_s < unseen_s[1])] = np.nan
        sigma = np.where(np.isnan(uv[..., 0]), np.nan, 1.0)
        seen.append(CameraTracks(name, (640, 480), rig_s - ahead, uv, sigma))
        clocks.append(Clock(name, ahead, 0.0))
    return Tracks2D(KEYPOINTS, tuple(seen), "invented"), Clocks(
        "b", tuple(sorted(clocks, key=lambda c: c.camera != "b"))
    )


@pytest.mark.parametrize(
    ("unseen_s", "said"), [((0.9, 1.3), True), ((0.9, 1.0), False), ((1.6, 2.0), False), ((1.2, 2.0), True)]
)
def test_a_camera_that_lost_the_player_before_contact_is_named(unseen_s, said):
    """Contact at 1.5 s: what is lost after it harms nothing, and a tenth of a second is bridged."""
    flags = unseen_flags(*body_tracks(unseen_s), EVENTS)
    assert len(flags) == said
    if said:
        stop = min(unseen_s[1], 1.5)
        assert f"camera c did not see the player from {unseen_s[0]:.2f} s to {stop:.2f} s" in flags[0]
        assert "there the others measure alone" in flags[0]


def test_with_two_cameras_one_that_lost_the_player_leaves_nothing():
    (flag,) = unseen_flags(*body_tracks((0.9, 1.3), cameras=2), EVENTS)
    assert "camera b" in flag and "nothing is measured there" in flag
