"""What a session holds its ball against: the racket's reach, its length, and a fall."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recon.pipeline.ball import _racket_length, _stranger
from recon.records import KEYPOINTS, BallFlight, Motion, Points3D, PointStatus
from recon.session import Labels, Session, SessionFile

T = np.arange(0, 2.0, 1 / 120)


def motion(wrist: tuple[float, float, float]) -> Motion:
    xyz = np.full((len(T), len(KEYPOINTS), 3), np.nan)
    xyz[:, KEYPOINTS.index("right_wrist")] = wrist
    seen = ~np.isnan(xyz).any(axis=2)
    status = np.where(seen, PointStatus.OK, PointStatus.TOO_FEW_VIEWS)
    cov = np.where(seen[..., None, None], np.eye(3) * 1e-6, np.nan)
    return Motion("court", KEYPOINTS, T, xyz, np.where(np.isnan(xyz), np.nan, 0.0), cov, status)


def met(z: float) -> BallFlight:
    return BallFlight(
        t0_s=0.5, t1_s=1.49, position_m=np.array([0.0, 0.3, z]), velocity_m_s=np.zeros(3), gravity_m_s2=9.81,
        u_gravity_m_s2=0.02, rms_m=0.001, fall_m_s2=1e-9, contact_s=1.5,
        struck_velocity_m_s=np.array([0, 40.0, 0]), struck_sightings=3,
    )  # fmt: skip


@pytest.mark.parametrize(("z", "strange"), [(2.7, False), (3.1, False), (3.4, True), (0.5, True)])
def test_only_what_a_racket_reaches_is_the_serves_ball(z, strange):
    """The wrist is at 2.1 m: 0.6 and 1.0 m are within a racket's reach, 1.3 and 1.6 m are not."""
    why = _stranger(met(z), "right", motion((0.0, 0.3, 2.1)))
    assert bool(why) == strange
    if strange:
        assert f"{abs(z - 2.1):.1f} m from the hitting hand" in why


def test_an_unseen_wrist_or_no_break_tells_nothing():
    assert _stranger(met(9.0), "right", motion((np.nan,) * 3)) == ""
    assert _stranger(None, "right", motion((0.0, 0.3, 2.1))) == ""


def swung(at_s: float) -> Motion:
    """The hitting wrist passes 2.1 m, as it does at a hit, and is quick about that instant alone."""
    still = motion((0.0, 0.3, 2.1))
    velocity = still.velocity_m_s.copy()
    velocity[abs(T - at_s) < 0.05, KEYPOINTS.index("right_wrist")] = (0.0, 12.0, 0.0)
    return replace(still, velocity_m_s=velocity)


@pytest.mark.parametrize(("hit_s", "strange"), [(1.45, False), (1.9, True)])
def test_a_toss_that_is_not_near_the_racket_at_the_hit_is_another_throw(hit_s, strange):
    """It leaves 2.7 m at 1.25 s, at rest: 0.2 s later it is at 2.50 m, 0.4 m above the wrist; 0.65 s later at
    0.63 m, 1.5 m below it."""
    toss = replace(
        met(2.7), t0_s=1.25, contact_s=None, struck_velocity_m_s=None, struck_sightings=0, fall_m_s2=9.81
    )
    why = _stranger(toss, "right", swung(hit_s))
    assert bool(why) == strange
    assert not strange or ("another throw" in why and "1.9 s" in why)


def test_a_hand_that_was_never_quick_tells_no_hit():
    toss = replace(met(9.0), contact_s=None, struck_velocity_m_s=None, struck_sightings=0)
    assert _stranger(toss, "right", motion((0.0, 0.3, 2.1))) == ""


def test_a_flight_that_does_not_tell_its_fall_is_none():
    assert "fell" in _stranger(replace(met(2.7), u_gravity_m_s2=3.3), "right", motion((0.0, 0.3, 2.1)))


def racket(apart_m: float, instants: int) -> Points3D:
    """Tip and butt so far apart, but for one instant, in so many of all instants."""
    xyz = np.full((len(T), len(KEYPOINTS), 3), np.nan)
    tip, butt = (KEYPOINTS.index(f"racket_{end}") for end in ("tip", "butt"))
    xyz[:instants, butt] = (0.2, 0.1, 1.5)
    xyz[:instants, tip] = (0.2, 0.1 + apart_m, 1.5)
    xyz[0, tip, 2] += 0.5
    seen = ~np.isnan(xyz).any(axis=2)
    status = np.where(seen, PointStatus.OK, PointStatus.TOO_FEW_VIEWS)
    cov = np.where(seen[..., None, None], np.eye(3) * 1e-6, np.nan)
    return Points3D("court", KEYPOINTS, ("a", "b"), T, xyz, cov, status, np.repeat(seen[..., None], 2, axis=2))


def told(length_m: float | None) -> Session:
    serve = Labels(racket_length_m=length_m)
    return Session(Path(), SessionFile(rig="rig", handedness="right", keypoints="points.csv", serve=serve))


def test_the_rackets_length_is_that_of_its_tapes_and_what_they_lie_inside():
    """Tapes 0.665 m apart and 25 mm inside, placed to 12 mm: 0.690 m."""
    assert _racket_length(told(0.685), racket(0.665, 40)) == pytest.approx((0.690, 0.012, 0.685), abs=1e-6)


def test_a_rackets_length_wants_both_ends_often_and_a_told_one():
    assert _racket_length(told(0.685), racket(0.665, 9)) is None
    assert _racket_length(told(None), racket(0.665, 40)) is None
