"""The record of a ball's path: free fall, drag, apex, the struck part, and how it is displaced."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import BadInput
from recon.records import BallFlight
from recon.records.arc import arc

TOSS = BallFlight(
    0.2, 1.1, np.array([0.3, 0.1, 1.9]), np.array([0.1, 0.3, 5.0]), 9.81, 0.05, 0.002, drag_per_m=0.02,
    release_s=0.21, contact_s=1.1, struck_velocity_m_s=np.array([-3.0, 45.0, -6.0]), struck_sightings=5,
)  # fmt: skip


@pytest.mark.parametrize(
    ("fall_m", "time_s", "speed_m_s"),
    [
        (0.1, 0.1428, 1.401),
        (0.2, 0.2019, 1.981),
        (0.3, 0.2473, 2.426),
        (0.5, 0.3193, 3.132),
        (1, 0.4515, 4.429),
    ],
)
def test_falls_from_the_apex_as_the_table_has_it(fall_m: float, time_s: float, speed_m_s: float) -> None:
    """Derived values, g = 9.81 m/s2: fall = g t2 / 2, speed = g t."""
    x, v = arc(np.zeros(3), np.zeros(3), 9.81, 0.0, np.array([time_s]))
    assert -x[0, 2] == pytest.approx(fall_m, abs=5e-4 * speed_m_s)
    assert -v[0, 2] == pytest.approx(speed_m_s, abs=1e-3)


@pytest.mark.parametrize(
    ("rise_m", "speed_m_s", "time_s"), [(1, 4.429, 0.4515), (1.5, 5.425, 0.553), (2, 6.264, 0.6386)]
)
def test_rises_as_the_table_has_it(rise_m: float, speed_m_s: float, time_s: float) -> None:
    flight = BallFlight(0.0, 1.0, np.zeros(3), np.array([0, 0, speed_m_s]), 9.81, 0.1, 0.0)
    t, top = flight.apex()
    assert t == pytest.approx(time_s, abs=1e-4)
    assert top[2] == pytest.approx(rise_m, abs=1e-3)


def test_a_straight_drag_arc_is_the_known_logarithm() -> None:
    """Without gravity dv/dt = -k v2: v = v0 / (1 + k v0 t), x = ln(1 + k v0 t) / k."""
    t, k, v0 = np.linspace(-0.2, 0.8, 41), 0.02, 60.0
    x, v = arc(np.zeros(3), np.array([0, v0, 0]), 0.0, k, t)
    np.testing.assert_allclose(x[:, 1], np.log1p(k * v0 * t) / k, atol=2e-5)
    np.testing.assert_allclose(v[:, 1], v0 / (1 + k * v0 * t), atol=2e-3)


def test_a_fall_through_air_is_the_known_hyperbola() -> None:
    """From rest v = sqrt(g/k) tanh(sqrt(g k) t)."""
    t, k, g = np.linspace(0, 1.2, 30), 0.02, 9.81
    x, v = arc(np.zeros(3), np.zeros(3), g, k, t)
    np.testing.assert_allclose(-v[:, 2], np.sqrt(g / k) * np.tanh(np.sqrt(g * k) * t), atol=1e-5)
    np.testing.assert_allclose(-x[:, 2], np.log(np.cosh(np.sqrt(g * k) * t)) / k, atol=1e-5)


def test_several_balls_at_once_fly_as_each_alone() -> None:
    x0, v0 = np.array([[0.0, 0, 1], [1.0, 0, 2]]), np.array([[0.0, 1, 5], [3.0, 40, -4]])
    t = np.linspace(-0.1, 0.9, 11)
    x, v = arc(x0, v0, np.array([9.81, 9.7]), np.array([0.0, 0.02]), t)
    for i, (g, k) in enumerate(((9.81, 0.0), (9.7, 0.02))):
        one = arc(x0[i], v0[i], g, k, t)
        np.testing.assert_allclose(x[i], one[0], atol=1e-12)
        np.testing.assert_allclose(v[i], one[1], atol=1e-12)


def test_at_no_time_there_is_no_place() -> None:
    x, v = arc(np.zeros(3), np.ones(3), 9.81, 0.02, np.array([np.nan, 0.0]))
    assert np.isnan(x[0]).all() and np.isnan(v[0]).all() and v[1].tolist() == [1, 1, 1]
    assert np.isnan(TOSS.at(np.nan)).all()


def test_the_path_is_whole_and_breaks_at_contact() -> None:
    before, after = TOSS.at(np.array([1.1, 1.1 + 1e-7]))
    np.testing.assert_allclose(before, after, atol=1e-5)
    np.testing.assert_allclose(TOSS.velocity_at(1.1 + 1e-9), [-3, 45, -6], atol=1e-5)
    step = 2e-3
    rate = (TOSS.at(0.7 + step) - TOSS.at(0.7 - step)) / (2 * step)
    np.testing.assert_allclose(TOSS.velocity_at(0.7), rate, atol=1e-3)
    assert TOSS.velocity_at(TOSS.apex()[0])[2] == pytest.approx(0, abs=1e-6)
    assert TOSS.struck_speed_m_s() == pytest.approx(np.linalg.norm([3, 45, 6]))
    assert replace(TOSS, struck_sightings=2).struck_speed_m_s() is None


def test_displacing_moves_every_parameter_that_is_there() -> None:
    by = 0.001 * np.arange(1, 14)
    np.testing.assert_allclose(TOSS.moved(by).parameters(), TOSS.parameters() + by)
    bare = replace(TOSS, release_s=None, contact_s=None, struck_velocity_m_s=None)
    moved = bare.moved(by)
    assert moved.release_s is None and moved.contact_s is None and moved.struck_velocity_m_s is None
    assert moved.position_m[0] == pytest.approx(0.301)


def test_draws_have_the_covariance_of_their_source(rng: np.random.Generator) -> None:
    root = np.diag(np.linspace(1e-3, 5e-3, 13))
    root[0, 9] = 2e-3
    cameras = rng.normal(0, 1e-3, (13, 36))
    flight = replace(TOSS, by_pixels=root, by_cameras=cameras)
    drawn = np.array([f.parameters() for f in flight.draws("pixels", 4000, rng)])
    np.testing.assert_allclose(np.cov(drawn.T), flight.covariance("pixels"), atol=1.5e-6)
    with pytest.raises(BadInput, match="want the covariance"):
        flight.draws("calibration", 5, rng)
    given = np.diag(np.linspace(0.5, 2, 36))
    drawn = np.array([f.parameters() for f in flight.draws("calibration", 4000, rng, given)])
    wanted = flight.covariance("calibration", given)
    np.testing.assert_allclose(np.cov(drawn.T), wanted, atol=0.1 * wanted.max())
    (moved,) = flight.moved_by("calibration", np.ones((1, 36)))
    np.testing.assert_allclose(moved.parameters() - flight.parameters(), cameras.sum(axis=1), atol=1e-12)
    assert [f.contact_s for f in flight.draws("clocks", 3, rng)] == [1.1] * 3  # nothing told: nothing moves


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(BadInput, match="together"):
        replace(TOSS, struck_velocity_m_s=None)
    with pytest.raises(BadInput, match="t1_s > t0_s"):
        replace(TOSS, t1_s=0.1)
    with pytest.raises(BadInput, match="want a source"):
        TOSS.response("wind")
    with pytest.raises(BadInput, match="fall > 0"):
        replace(TOSS, fall_m_s2=0.0)
