"""Values between samples, by curves whose values are known everywhere."""

from __future__ import annotations

import numpy as np
import pytest

from recon.curves import largest, path_length, rate, stretch, true_runs, unwrapped, value_at

T = np.linspace(0.0, 1.0, 121)


def cubic(t):
    return 2.0 - 3.0 * t + 5.0 * t**2 - 7.0 * t**3


@pytest.mark.parametrize("at", [0.0, 0.01, 0.3337, 0.5, 0.98, 1.0])
def test_a_cubic_is_read_exactly_between_its_samples(at):
    inner = 1 / 120 <= at <= 119 / 120  # at the ends there are no four samples around
    assert value_at(T, cubic(T), at) == pytest.approx(cubic(at), abs=1e-12 if inner or at in (0, 1) else 2e-3)


def test_several_columns_at_once_and_none_outside():
    columns = np.stack([cubic(T), -cubic(T)], axis=1)
    np.testing.assert_allclose(value_at(T, columns, 0.4321), [cubic(0.4321), -cubic(0.4321)], atol=1e-12)
    assert np.isnan(value_at(T, cubic(T), 1.01)) and np.isnan(value_at(T, cubic(T), -0.01))


def test_beside_an_absent_sample_a_straight_line_is_taken():
    values = T**2
    values[60] = np.nan
    k = 58
    half = (T[k] + T[k + 1]) / 2
    assert value_at(T, values, half) == pytest.approx((values[k] + values[k + 1]) / 2, abs=1e-12)
    assert np.isnan(value_at(T, values, (T[60] + T[61]) / 2))


def test_a_stretch_has_both_its_ends():
    times, values = stretch(T, cubic(T), 0.2012, 0.4987)
    assert (times[0], times[-1]) == (0.2012, 0.4987)
    np.testing.assert_allclose(values, cubic(times), atol=1e-12)
    assert len(stretch(T, cubic(T), 0.5, 0.5)[0]) == 0


def test_the_top_of_a_parabola_lies_between_samples():
    t, value = largest(T, 3.0 - 4.0 * (T - 0.5031) ** 2)
    assert t == pytest.approx(0.5031, abs=1e-9) and value == pytest.approx(3.0, abs=1e-12)
    assert largest(T, T) == (1.0, 1.0)
    assert np.isnan(largest(T, np.full_like(T, np.nan))).all()


def test_rates_and_whole_turns():
    np.testing.assert_allclose(rate(T, 4.0 * T)[5:9], 4.0)
    turning = np.linspace(0.0, 9.0, 121)
    wrapped = (turning + np.pi) % (2 * np.pi) - np.pi
    wrapped[50] = np.nan
    known = np.delete(unwrapped(wrapped) - turning, 50)
    np.testing.assert_allclose(known, 0.0, atol=1e-9)


def test_a_way_is_measured_through_steps_that_noise_does_not_lengthen(rng):
    way = np.stack([T, np.zeros_like(T)], axis=1)
    noisy = way + rng.normal(0, 0.01, way.shape)
    assert path_length(T, way, 0.1) == pytest.approx(1.0)
    assert path_length(T, noisy, 0.25) < 1.05 < path_length(T, noisy, 1 / 120)
    way[0] = np.nan
    assert np.isnan(path_length(T, way, 0.1))


def test_runs_of_flags_reach_to_both_ends():
    assert true_runs(np.array([True, True, False, True, False, False, True])) == [(0, 2), (3, 4), (6, 7)]
    assert true_runs(np.zeros(3, dtype=bool)) == [] and true_runs(np.ones(3, dtype=bool)) == [(0, 3)]
