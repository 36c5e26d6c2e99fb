"""Lengths of bones and racket: found from the motion, and held to as far as they are constant."""

from __future__ import annotations

import numpy as np
import pytest

from recon.motion import Held, hold_lengths
from recon.motion.lengths import Length, alike
from recon.records import Motion, PointStatus

FRAMES, STEP_S, DRAWS = 200, 1 / 120, 300
T = np.arange(FRAMES) * STEP_S


def swung(length_m: np.ndarray | float, turns_rad_s: float = 4.0) -> np.ndarray:
    """(T, 2, 3): an elbow that sways and a wrist that turns about it."""
    turn, lift = turns_rad_s * T, 0.125 * turns_rad_s * np.sin(3.0 * T)
    way = np.stack([np.cos(turn) * np.cos(lift), np.sin(turn) * np.cos(lift), np.sin(lift)], axis=1)
    elbow = np.stack([0.1 * np.sin(2 * T), 0.2 * T, 1.4 + 0 * T], axis=1)
    return np.stack([elbow, elbow + np.asarray(length_m).reshape(-1, 1) * way], axis=1)


def lingering(shape: tuple[int, ...], kept: float, rng: np.random.Generator) -> np.ndarray:
    """Errors of variance 1 over time, axis -3; kept = 1 lasts."""
    out = rng.standard_normal(shape)
    for t in range(1, shape[-3]):
        out[..., t, :, :] = kept * out[..., t - 1, :, :] + np.sqrt(1 - kept**2) * out[..., t, :, :]
    return out


def held_of(
    true_m: np.ndarray, roots_m: np.ndarray, kept: float, rng: np.random.Generator,
    names: tuple[str, ...] = ("right_elbow", "right_wrist"), *, smaller: float = 1.0,
    shock_m: np.ndarray | float = 0.0,
) -> tuple[Motion, Held]:  # fmt: skip
    """The true points with errors of covariance roots rootsᵀ (P, 3, 3), and what holding makes of them.

    smaller: of what is stated, the share that the errors really have; shock_m (T, P, 3): what the positions'
    errors have beyond what is stated.
    """
    off = smaller * np.einsum("pij,tpj->tpi", roots_m, lingering(true_m.shape, kept, rng))
    draws = np.einsum("pij,dtpj->dtpi", roots_m, lingering((DRAWS, *true_m.shape), kept, rng))
    cov = np.zeros((*true_m.shape[:2], 6, 6))
    cov[..., :3, :3] = roots_m @ roots_m.swapaxes(1, 2)
    cov[..., 3:, 3:] = 4e4 * cov[..., :3, :3]
    absent = np.isnan(true_m).any(axis=2)
    status = np.where(absent, PointStatus.TOO_FEW_VIEWS, PointStatus.OK).astype(np.int8)
    velocity = np.where(absent[..., None], np.nan, np.gradient(np.nan_to_num(true_m), T, axis=0) + 200 * off)
    motion = Motion(
        "court", names, T, true_m + off + shock_m, velocity, cov[..., :3, :3], status, cov[..., 3:, 3:]
    )  # fmt: skip
    return motion, hold_lengths(motion, cov, draws)


def rms(x: np.ndarray) -> float:
    return float(np.sqrt(np.mean((x**2).sum(axis=-1))))


def nees(error: np.ndarray, cov: np.ndarray) -> float:
    return float(np.einsum("...i,...ij,...j->...", error, np.linalg.inv(cov), error).mean() / 3)


ALIKE = np.broadcast_to(0.006 * np.eye(3), (2, 3, 3))
ONE_DEEP = np.stack([np.diag([0.004, 0.03, 0.004]), np.diag([0.004, 0.006, 0.008])])


def test_both_ends_of_a_bone_meet_half_way_where_they_are_equally_sure(rng):
    """By hand: equal round covariances share what is missing to the length; nothing moves across the bone."""
    before, after = held_of(swung(0.28), ALIKE, 0.0, rng, smaller=0.3)
    length = after.lengths[0]
    assert length.ends == ("right_elbow", "right_wrist")
    moved = after.motion.xyz_m - before.xyz_m
    np.testing.assert_allclose(moved[:, 0], -moved[:, 1], atol=1e-12)
    way = before.xyz_m[:, 1] - before.xyz_m[:, 0]
    apart = np.linalg.norm(way, axis=1)
    missing = length.length_m - (apart - 4 * 0.006**2 / (2 * apart))  # across: twice 0.006² in both directions
    shrunk = 2 * 0.006**2 / (2 * 0.006**2 + length.give_m**2 + length.u_m**2)
    np.testing.assert_allclose(moved[:, 1], 0.5 * (shrunk * missing / apart)[:, None] * way, atol=1e-12)


@pytest.mark.parametrize("roots", [ALIKE, ONE_DEEP])
@pytest.mark.parametrize("kept", [0.0, 0.9])
def test_a_rigid_bone_makes_its_ends_better_and_stays_honest(rng, roots, kept):
    true, before, after = swung(0.28), [], []
    z_length = []
    for _ in range(20):
        found, held = held_of(true, roots, kept, rng)
        length = held.lengths[0]
        z_length.append((length.length_m - 0.28) / length.u_m)
        before.append(found.xyz_m - true)
        after.append(held.motion.xyz_m - true)
    assert rms(np.array(after)) < 0.95 * rms(np.array(before))
    assert 0.85 < nees(np.array(after), held.motion.cov_m2) < 1.2
    assert np.sqrt(np.mean(np.square(z_length))) < 1.7


def test_where_a_length_is_missed_by_far_its_ends_are_less_sure_there_and_only_there(rng):
    """A shock of a twentieth of a second that the curve was too smooth for: 25 mm along the bone, 5 sigmas.

    Nothing is wrong with the velocities' lengths; all the same they are no surer than the places.
    """
    true = swung(0.28)
    here = slice(100, 106)
    shock = np.zeros(true.shape)
    shock[here, 1] = 0.025 * (true[here, 1] - true[here, 0]) / 0.28
    _, calm = held_of(true, ALIKE, 0.0, np.random.default_rng(3), smaller=0.5)
    _, shaken = held_of(true, ALIKE, 0.0, np.random.default_rng(3), smaller=0.5, shock_m=shock)
    ratio, of_speed = (
        np.trace(a, axis1=2, axis2=3) / np.trace(b, axis1=2, axis2=3)
        for a, b in (
            (shaken.motion.cov_m2, calm.motion.cov_m2),
            (shaken.motion.velocity_cov_m2_s2, calm.motion.velocity_cov_m2_s2),
        )
    )
    away = np.r_[0:80, 126:FRAMES]
    assert ratio[here].min() > 2.5
    assert of_speed[here].min() > 2.5
    np.testing.assert_allclose(ratio[away], 1.0, atol=0.05)
    drawn = (shaken.draws_m[:, here] ** 2).sum(axis=(0, 1, 3)) / (calm.draws_m[:, here] ** 2).sum(
        axis=(0, 1, 3)
    )
    np.testing.assert_allclose(drawn, ratio[here].mean(axis=0), rtol=0.15)


def test_draws_have_the_covariance_that_is_stated(rng):
    _, held = held_of(swung(0.28), ONE_DEEP, 0.5, rng)
    drawn = np.einsum("dtpi,dtpj->pij", held.draws_m, held.draws_m) / (DRAWS * FRAMES)
    np.testing.assert_allclose(drawn, held.motion.cov_m2.mean(axis=0), rtol=0.12, atol=1e-6)


def test_what_gives_is_not_held_rigid(rng):
    """A distance that changes by 25 mm with the posture, as skin and detectors have it."""
    true = swung(0.28 + 0.025 * np.sin(5 * T))
    before, after = held_of(true, ALIKE, 0.0, rng)
    assert 0.012 < after.lengths[0].give_m < 0.025
    assert rms(after.motion.xyz_m - true) < 1.02 * rms(before.xyz_m - true)


def test_an_error_that_lasts_is_no_evidence_for_a_length(rng):
    """Two hundred instants of an arm at rest with one and the same error are one instant."""
    _, fresh = held_of(swung(0.28, 0.0), ALIKE, 0.0, rng)
    _, lasting = held_of(swung(0.28, 0.0), ALIKE, 1.0, rng)
    assert fresh.lengths[0].u_m < 0.2 * 0.006 * np.sqrt(2)
    assert 0.8 < lasting.lengths[0].u_m / (0.006 * np.sqrt(2)) < 1.2


def test_velocities_keep_the_length_too(rng):
    true = swung(0.28)
    before, after = held_of(true, ALIKE, 0.0, rng)
    real = np.gradient(true, T, axis=0)
    assert rms(after.motion.velocity_m_s - real) < 0.95 * rms(before.velocity_m_s - real)


def test_points_without_neighbours_and_absent_ones_stay_as_they_are(rng):
    true = np.concatenate([swung(0.28), swung(0.3)[:, :1]], axis=1)
    true[50:80, 0] = np.nan
    roots = np.broadcast_to(0.006 * np.eye(3), (3, 3, 3))
    before, after = held_of(true, roots, 0.0, rng, ("right_elbow", "right_wrist", "nose"))
    np.testing.assert_array_equal(after.motion.xyz_m[:, 2], before.xyz_m[:, 2])
    np.testing.assert_array_equal(after.motion.xyz_m[50:80, 1], before.xyz_m[50:80, 1])
    assert np.isnan(after.motion.xyz_m[50:80, 0]).all()
    others = np.r_[0:50, 80:FRAMES]
    assert (after.motion.xyz_m[others, 1] != before.xyz_m[others, 1]).all()


def test_a_span_seen_too_rarely_is_not_held(rng):
    true = swung(0.28)
    true[15:, 0] = np.nan
    before, after = held_of(true, ALIKE, 0.0, rng)
    assert after.lengths == ()
    np.testing.assert_array_equal(after.motion.xyz_m, before.xyz_m)


def told(ends: tuple[str, str], length_m: float, u_m: float, rng: np.random.Generator) -> Length:
    return Length(ends, length_m, u_m, 0.001, rng.normal(0, u_m, 4000))


LEFT, RIGHT = ("left_elbow", "left_wrist"), ("right_elbow", "right_wrist")


def test_a_side_that_was_hardly_seen_takes_its_length_from_the_other(rng):
    """By hand, sides of 260 mm that differ by 3.9 mm: 20² / (20² + 2² + 3.9²) of the way for the worse one."""
    left, right = alike([told(LEFT, 0.300, 0.020, rng), told(RIGHT, 0.260, 0.002, rng)], rng)
    differ = 0.015 * 0.280
    share = 0.020**2 / (0.020**2 + 0.002**2 + differ**2)
    assert left.length_m == pytest.approx(0.300 - share * 0.040)
    assert left.u_m == pytest.approx(0.020 * np.sqrt(1 - share))
    assert right.length_m == pytest.approx(0.260, abs=0.0004)
    assert right.u_m == pytest.approx(0.002, rel=0.02)
    for length in (left, right):
        assert np.std(length.errors_m) == pytest.approx(length.u_m, rel=0.05)


def test_sides_that_are_surely_unlike_stay_so_and_what_has_no_other_side_stays_as_it_is(rng):
    pelvis = told(("left_hip", "right_hip"), 0.18, 0.004, rng)
    racket = told(("racket_butt", "racket_tip"), 0.68, 0.004, rng)
    left, right, *others = alike(
        [told(LEFT, 0.280, 0.0005, rng), told(RIGHT, 0.260, 0.0005, rng), pelvis, racket], rng
    )
    assert left.length_m - right.length_m == pytest.approx(0.020, abs=0.0008)
    assert others == [pelvis, racket]


def test_what_one_arm_lacks_the_other_tells(rng):
    """A left arm of which 25 instants are seen, with errors that last, has the length of the right one."""
    true = np.concatenate([swung(0.26), swung(0.26) + [1.0, 0.0, 0.0]], axis=1)
    names = (*RIGHT, *LEFT)
    miss = []
    for _ in range(15):
        roots = np.stack([0.003 * np.eye(3)] * 2 + [0.015 * np.eye(3)] * 2)
        hidden = true.copy()
        hidden[25:, 2:] = np.nan
        _, held = held_of(hidden, roots, 0.98, rng, names)
        by_ends = {length.ends: length for length in held.lengths}
        miss.append((by_ends[LEFT].length_m - 0.26) / 0.015)
        apart = np.linalg.norm(held.motion.xyz_m[:25, 2] - held.motion.xyz_m[:25, 3], axis=1)
        assert abs(apart.mean() - by_ends[LEFT].length_m) < 0.004
        assert by_ends[LEFT].u_m < 0.006
    assert np.sqrt(np.mean(np.square(miss))) < 0.5
