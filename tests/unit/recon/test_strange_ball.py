"""A flight that the racket cannot have met is not the serve's ball."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.pipeline.ball import _stranger
from recon.records import KEYPOINTS, BallFlight, Motion, PointStatus

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


def test_a_flight_that_does_not_tell_its_fall_is_none():
    assert "fell" in _stranger(replace(met(2.7), u_gravity_m_s2=3.3), "right", motion((0.0, 0.3, 2.1)))
