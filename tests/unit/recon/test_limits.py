"""Soft limits of joints: gradients, what a limit says, and what it does to a leg that bends the wrong way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from recon.motion import Held, hold_lengths
from recon.motion.limits import Limited, limits_of, pull
from recon.records import Motion, PointStatus

FRAMES = 60
T = np.arange(FRAMES) / 120
THIGH, SHANK = 0.42, 0.41


def leg(bent_deg: np.ndarray) -> dict[str, np.ndarray]:
    """A left leg in the plane of its foot, which points along y; hip, then knee, ankle, heel, toe below each
    other. Bent by a negative angle, the knee goes back.
    """
    half = np.radians(bent_deg) / 2
    forward, down = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, -1.0])
    hip = np.tile([0.1, 0.0, 1.0], (len(half), 1))
    knee = hip + THIGH * (np.outer(np.cos(half), down) + np.outer(np.sin(half), forward))
    ankle = knee + SHANK * (np.outer(np.cos(half), down) - np.outer(np.sin(half), forward))
    return {
        "left_hip": hip, "left_knee": knee, "left_ankle": ankle,
        "left_heel": ankle + [0.0, -0.05, -0.06], "left_toe": ankle + [0.0, 0.17, -0.06],
    }  # fmt: skip


def arm(bent_deg: float) -> dict[str, np.ndarray]:
    """One instant of a right arm, bent so far from straight."""
    a = np.radians(bent_deg)
    return {
        "right_shoulder": np.array([[0.0, 0.0, 1.4]]), "right_elbow": np.array([[0.3, 0.0, 1.4]]),
        "right_wrist": np.array([[0.3 + 0.25 * np.cos(a), 0.25 * np.sin(a), 1.4]]),
    }  # fmt: skip


def named(points: dict[str, np.ndarray]) -> dict[str, Limited]:
    return {limited.name: limited for limited in limits_of(points)}


def test_an_elbow_bent_by_150_degrees_is_at_its_limit():
    for bent, inside in ((150.0, 0.0), (90.0, 60.0), (170.0, -20.0)):
        np.testing.assert_allclose(np.degrees(named(arm(bent))["right elbow bent"].inside), inside, atol=1e-9)


def test_a_knee_behind_the_leg_is_beyond_and_one_in_front_is_not():
    """By hand: a leg bent back by b has its knee 0.42 sin(b/2) behind the line, which is 0.83 cos(b/2) long."""
    inside = named(leg(np.array([-20.0, 0.0, 20.0])))["left knee backwards"].inside
    off = THIGH * SHANK / (THIGH + SHANK) * 2 * np.tan(np.radians(10.0)) / (THIGH + SHANK)
    np.testing.assert_allclose(inside, [0.04 - off, 0.04, 0.04 + off], rtol=1e-3)


def test_toes_that_point_along_the_leg_do_not_tell_the_front():
    points = leg(np.array([-20.0]))
    points["left_toe"] = points["left_heel"] + [0.0, 0.02, -0.2]
    assert np.isnan(named(points)["left knee backwards"].inside).all()


@pytest.mark.parametrize("name", ["left knee bent", "left ankle up", "left ankle down"])
def test_gradients_are_the_limits_own(rng, name):
    points = {n: x + rng.normal(0, 0.03, (1, 3)) for n, x in leg(np.array([35.0])).items()}
    found = named(points)[name]
    step = 1e-6
    for keypoint, gradient in found.gradient.items():
        for axis in range(3):
            moved = {n: x.copy() for n, x in points.items()}
            moved[keypoint][0, axis] += step
            slope = (named(moved)[name].inside - found.inside) / step
            np.testing.assert_allclose(slope, gradient[0, axis], rtol=1e-4, atol=1e-5)


def test_a_knee_counts_forward_by_its_share_of_the_leg(rng):
    """Front and line are taken as they are: in the knee that is exact, hip and ankle share the rest."""
    points = {n: x + rng.normal(0, 0.03, (1, 3)) for n, x in leg(np.array([-10.0])).items()}
    found = named(points)["left knee backwards"]
    moved = points | {"left_knee": points["left_knee"] + [0.01, 0.02, -0.01]}
    grown = named(moved)["left knee backwards"].inside - found.inside
    np.testing.assert_allclose(grown, found.gradient["left_knee"] @ [0.01, 0.02, -0.01], rtol=1e-9)
    np.testing.assert_allclose(sum(found.gradient.values()), 0.0, atol=1e-12)
    share = np.linalg.norm(found.gradient["left_hip"]) / np.linalg.norm(found.gradient["left_knee"])
    assert 0.4 < share < 0.6


@pytest.mark.parametrize("inside_sd", [-4.0, -1.0, 0.5, 2.0])
def test_the_condition_gives_what_bayes_rule_gives(inside_sd):
    """Mean and variance of N(m, 1) times the chance that a limit of softness 0.7 lies below, by quadrature."""
    soft = 0.7
    pulled = pull(Limited("x", np.array([inside_sd]), {}, soft), np.ones(1))
    gain = 1 / (1 + pulled.variance[0])
    mean, variance = inside_sd + gain * pulled.missing[0], 1 - gain

    def moment(k: int) -> float:
        return quad(lambda x: x**k * norm.pdf(x - inside_sd) * norm.cdf(x / soft), -12, 12, epsabs=1e-14)[0]

    true_mean = moment(1) / moment(0)
    assert mean == pytest.approx(true_mean, abs=1e-6)
    assert variance == pytest.approx(moment(2) / moment(0) - true_mean**2, abs=1e-6)


def test_far_inside_a_limit_says_nothing():
    pulled = pull(Limited("x", np.array([8.0, np.nan]), {}, 0.5), np.ones(2))
    assert np.isinf(pulled.variance).all() and not pulled.missing.any()


Leg = dict[str, np.ndarray]


def held(bent_deg: np.ndarray, sd_m: float) -> tuple[Leg, Leg, tuple[str, ...]]:
    """The leg, what holding makes of it, and what it says."""
    points, after = holding(bent_deg, sd_m)
    return points, {n: after.motion.xyz_m[:, k] for k, n in enumerate(points)}, after.beyond


def holding(bent_deg: np.ndarray, sd_m: float) -> tuple[Leg, Held]:
    points = leg(bent_deg)
    names = tuple(points)
    xyz = np.stack([points[n] for n in names], axis=1)
    cov = np.zeros((*xyz.shape[:2], 6, 6))
    cov[..., range(3), range(3)] = sd_m**2
    cov[..., range(3, 6), range(3, 6)] = 1.0
    status = np.full(xyz.shape[:2], PointStatus.OK, dtype=np.int8)
    motion = Motion("court", names, T, xyz, np.zeros_like(xyz), cov[..., :3, :3], status, cov[..., 3:, 3:])
    draws = np.random.default_rng(1).normal(0, sd_m, (100, *xyz.shape))
    return points, hold_lengths(motion, cov, draws)


def test_a_knee_that_bends_backwards_comes_forward_and_keeps_its_bones():
    before, after, beyond = held(np.full(FRAMES, -30.0), 0.03)
    forward = after["left_knee"][:, 1] - before["left_knee"][:, 1]
    assert forward.min() > 0.01
    assert any(told.startswith("left knee backwards beyond its range for 0.50 s") for told in beyond)
    for a, b, length in (("left_hip", "left_knee", THIGH), ("left_knee", "left_ankle", SHANK)):
        apart = np.linalg.norm(after[a] - after[b], axis=1)
        np.testing.assert_allclose(apart, length, atol=0.008)


def test_a_knee_surely_seen_stays_and_one_within_its_range_is_not_touched():
    before, after, _ = held(np.full(FRAMES, -30.0), 0.001)
    assert np.abs(after["left_knee"] - before["left_knee"]).max() < 0.001
    before, after, beyond = held(np.full(FRAMES, 60.0), 0.01)
    assert np.abs(after["left_knee"] - before["left_knee"]).max() < 0.0005
    assert not beyond


def test_draws_are_as_wide_as_the_covariance_where_a_limit_speaks_and_where_it_does_not():
    """Bent forwards at first, and backwards from the middle on."""
    points, after = holding(np.where(np.arange(FRAMES) < FRAMES // 2, 40.0, -30.0), 0.03)
    knee = list(points).index("left_knee")
    for half in (slice(5, FRAMES // 2 - 5), slice(FRAMES // 2 + 5, FRAMES - 5)):
        stated = np.trace(after.motion.cov_m2[half, knee], axis1=1, axis2=2).mean()
        drawn = (after.draws_m[:, half, knee] ** 2).sum(axis=2).mean()
        assert drawn == pytest.approx(stated, rel=0.1)
