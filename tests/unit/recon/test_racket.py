"""The racket as a rigid body: what is hidden is told by the rest, as surely as that allows and no more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import pytest

from recon.motion import Held, MotionSupport, RacketOptions, RigidRacket, hold_racket
from recon.motion.lengths import Length
from recon.motion.racket_curves import less_sure, trusted
from recon.motion.racket_shape import SPANS, TAPES_INSIDE_M, RacketShape, shape_of
from recon.motion.racket_ties import RigidTies
from recon.records import RACKET, Motion, PointStatus
from recon.smoothing import PointEvents
from tests.support.racket_world import BUTT_THROAT_M, LENGTH_M, THROAT_TIP_M, RigidSwing

DRAWS, STEP_S = 300, 1 / 120
T = np.arange(0.6, 2.0, STEP_S)
TIP, THROAT, BUTT = range(3)
GONE = slice(70, 78)


@dataclass(frozen=True)
class Curve:
    """Stands for one point's posterior."""

    xyz_m: np.ndarray
    velocity_m_s: np.ndarray
    covariance: np.ndarray
    events: PointEvents


def spots(at: Sequence[int]) -> PointEvents:
    """One camera's observations at some instants, agreeing with nothing, beside all that are wanted."""
    grid = np.sort(np.concatenate([np.arange(len(T)), np.array(at, dtype=int)]))
    wanted = np.concatenate([[True], np.diff(grid) > 0])
    n = len(grid)
    camera = np.where(wanted, -1, 0)
    return PointEvents(T[grid], camera, np.zeros((n, 2)), np.ones(n), grid, wanted, wanted)


@dataclass(frozen=True)
class Swing:
    """A true swing, what the curves of its points are, and the rigid racket made of them."""

    true_m: np.ndarray
    held: Held
    support: MotionSupport
    racket: RigidRacket

    def error_m(self) -> np.ndarray:
        return self.racket.held.motion.xyz_m - self.true_m

    def status(self, point: int) -> np.ndarray:
        return np.asarray(self.racket.held.motion.status[:, point])


def swing(
    seed: int = 0, sd_m: float = 0.005, hidden: dict[int, tuple[slice, float]] | None = None,
    never: tuple[int, ...] = (), options: RacketOptions | None = None, racket_length_m: float | None = None,
    spotted: Mapping[int, Sequence[int]] = MappingProxyType({}),
    shift_m: Mapping[int, tuple[slice, float]] = MappingProxyType({}), beside_m: np.ndarray | float = 0.0,
) -> Swing:  # fmt: skip
    """White errors of sd_m on every point and axis; hidden: point -> (when, how far its curve is off there);
    spotted: point -> instants at which a single camera takes some spot for it; shift_m: point -> when its curve
    is off along x by how much beyond that; beside_m (T, 3, 3): what nobody says that points are off by.
    """
    rng = np.random.default_rng([seed, 5])
    true = RigidSwing(seed).points(T)
    sd = np.full(true.shape[:2], sd_m)
    for point, (when, off_m) in (hidden or {}).items():
        sd[when, point] = off_m
    off, draws = (sd[..., None] * rng.standard_normal((*lead, *true.shape)) for lead in ((), (DRAWS,)))
    for point, (when, by_m) in shift_m.items():
        off[when, point, 0] += by_m
    off = off + beside_m
    cov = np.zeros((*true.shape[:2], 6, 6))
    cov[..., :3, :3] = (sd**2)[..., None, None] * np.eye(3)
    cov[..., 3:, 3:] = 100**2 * cov[..., :3, :3]
    velocity = np.gradient(true, T, axis=0) + 100 * sd[..., None] * rng.standard_normal(true.shape)
    absent = sd > sd_m
    absent[:, list(never)] = True
    status = np.where(absent, PointStatus.TOO_FEW_VIEWS, PointStatus.OK).astype(np.int8)
    blank = absent[..., None]
    motion = Motion(
        "court", RACKET, T, np.where(blank, np.nan, true + off), np.where(blank, np.nan, velocity),
        np.where(blank[..., None], np.nan, cov[..., :3, :3]), status,
        np.where(blank[..., None], np.nan, cov[..., 3:, 3:]),
    )  # fmt: skip
    draws[:, :, list(never)] = np.nan
    curves = tuple(
        None if p in never else Curve((true + off)[:, p], velocity[:, p], cov[:, p], spots(spotted.get(p, ())))
        for p in range(3)
    )
    support = MotionSupport(("a", "b"), np.where(blank, np.nan, np.ones((*sd.shape, 2))), curves)  # type: ignore[arg-type]
    held = Held(motion, draws, ())
    return Swing(true, held, support, hold_racket(held, support, racket_length_m, options))


def rms(x: np.ndarray) -> float:
    return float(np.sqrt(np.mean((x**2).sum(axis=-1))))


def tape_m(found: Swing) -> float:
    """By how much the racket's tapes were found to be off, as its first sentence says."""
    return 1e-3 * float(found.racket.told[0].split("axis by ")[1].split(" ")[0])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("point", [TIP, THROAT, BUTT])
def test_a_hidden_point_of_an_exactly_seen_racket_is_where_it_is(seed: int, point: int) -> None:
    """Its own curve is 0.3 m off; nothing but the other two and the racket's shape can tell it."""
    found = swing(seed, 1e-5, {point: (GONE, 0.3)})
    assert (found.status(point)[GONE] == PointStatus.INFERRED).all()
    assert np.abs(found.error_m()[GONE, point]).max() < 1e-3
    others = [p for p in range(3) if p != point]
    assert (found.racket.held.motion.status[:, others] == PointStatus.OK).all()


def test_an_inferred_tip_is_as_sure_as_butt_and_throat_make_it() -> None:
    """By hand. Across the axis, tip = throat / s − butt (1 − s) / s with s = 0.31 / 0.655; along it, the mean
    of butt + length and throat + distance. What is added is small: shape and bend of a millimetre. Where the
    rest happens to fit badly it is less sure, never more.
    """
    found = swing(1, 0.005, {TIP: (GONE, 0.5)})
    s = BUTT_THROAT_M / LENGTH_M
    way = found.true_m[GONE, TIP] - found.true_m[GONE, BUTT]
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    cov = found.racket.held.motion.cov_m2[GONE, TIP]
    along = np.einsum("ti,tij,tj->t", way, cov, way)
    across = (np.trace(cov, axis1=1, axis2=2) - along) / 2
    own2 = 0.005**2 + tape_m(found) ** 2  # what chance has the tapes be off by is added to every point
    by_hand = own2 * (1 + (1 - s) ** 2) / s**2 + 0.001**2 / s**2
    assert across.min() == pytest.approx(by_hand, rel=0.1)
    assert along.min() == pytest.approx(own2 / 2, rel=0.1)
    assert across.max() < 1.6 * by_hand


def test_a_racket_stays_straight() -> None:
    """Tip and butt tell where across the axis the throat is: it gains there too, and stays honest."""
    found = swing(2, 0.006)
    before = found.held.motion.xyz_m - found.true_m
    assert rms(found.error_m()[:, THROAT]) < 0.65 * rms(before[:, THROAT])
    error, cov = found.error_m(), found.racket.held.motion.cov_m2
    nees = np.einsum("tpi,tpij,tpj->tp", error, np.linalg.inv(cov), error).mean() / 3
    assert 0.8 < nees < 1.25


def test_places_and_velocities_are_those_of_a_rigid_body() -> None:
    found = swing(3, 0.004, {TIP: (GONE, 0.4)})
    motion = found.racket.held.motion
    tip, throat, butt = motion.xyz_m.swapaxes(0, 1)
    assert np.ptp(np.linalg.norm(tip - butt, axis=1)) < 0.004
    share = found.racket.shape.share if found.racket.shape else np.nan
    assert rms(throat - (1 - share) * butt - share * tip) < 0.003
    between = (motion.velocity_m_s[:, TIP] - motion.velocity_m_s[:, BUTT]) * (tip - butt)
    real = np.gradient(found.true_m, T, axis=0)
    apart = np.abs(between.sum(axis=1)) / LENGTH_M
    assert np.median(apart) < 0.1
    assert rms((motion.velocity_m_s - real)[GONE, TIP]) < 3 * 0.4 * np.sqrt(3)  # the curve's own was 40 m/s off


def test_velocities_are_as_wrong_as_they_say() -> None:
    found = swing(3, 0.004)
    motion = found.racket.held.motion
    error = motion.velocity_m_s - np.gradient(found.true_m, T, axis=0)
    cov = np.asarray(motion.velocity_cov_m2_s2)
    assert 0.8 < np.einsum("tpi,tpij,tpj->tp", error, np.linalg.inv(cov), error).mean() / 3 < 1.25


def test_draws_of_what_a_racket_is_off_have_the_covariance_that_is_stated(rng: np.random.Generator) -> None:
    """What it is off by lasts with the shape's error and comes and goes with its bending."""
    C = np.array([[9e-6, -4e-6], [-4e-6, 16e-6]])
    ties = RigidTies(RacketShape(BUTT_THROAT_M, THROAT_TIP_M, C, rng.multivariate_normal([0, 0], C, 20_000)))
    way = np.array([[0.6, 0.0, 0.8], [0.0, -0.8, 0.6]])
    drawn = ties.wrong(way, 2, 0.7, rng)
    for t, stated in enumerate(ties.covariance(way)):
        sd = np.sqrt(np.diag(stated))
        np.testing.assert_allclose((np.cov(drawn[:, t].T) - stated) / np.outer(sd, sd), 0.0, atol=0.05)


def test_tapes_whose_middles_are_off_make_all_points_less_sure_and_stay_honest() -> None:
    """5 mm off per axis, told as 2 mm: the rest is found out by the throat, and counted."""
    rng = np.random.default_rng(4)
    for seed in range(3):
        found = swing(seed, 0.002, beside_m=0.0046 * rng.standard_normal((len(T), 3, 3)))
        cov = found.racket.held.motion.cov_m2
        error = found.error_m()
        assert 0.7 < np.einsum("tpi,tpij,tpj->tp", error, np.linalg.inv(cov), error).mean() / 3 < 1.4
        assert 0.8 < np.median(np.abs(found.racket.held.draws_m)) / np.median(np.abs(error)) < 1.3
        assert "tapes off its axis by" in found.racket.told[0]
    assert tape_m(swing(0, 0.002)) < 0.001


def test_what_is_absent_is_told_by_what_certainty_is_left() -> None:
    """All three hidden at once: a curve that is 2 cm sure runs through, one of 30 cm does not."""
    sure = swing(4, 0.003, {p: (GONE, 0.02) for p in range(3)})
    assert np.isin(sure.racket.held.motion.status[GONE], (PointStatus.BRIDGED, PointStatus.INFERRED)).all()
    assert (sure.status(BUTT)[GONE] == PointStatus.BRIDGED).all()
    lost = swing(4, 0.003, {p: (GONE, 0.3) for p in range(3)})
    assert (lost.racket.held.motion.status[GONE] == PointStatus.TOO_FEW_VIEWS).all()
    assert np.isnan(lost.racket.held.motion.xyz_m[GONE]).all()
    bold = swing(4, 0.003, {p: (GONE, 0.3) for p in range(3)}, options=RacketOptions(most_u_m=1.0))
    assert np.isfinite(bold.racket.held.motion.xyz_m).all()


def test_a_curve_that_measured_points_contradict_is_not_believed() -> None:
    """The tip's curve is 0.2 m off for 8 frames and calls itself sure: butt and throat know better."""
    found = swing(8, 0.003, {TIP: (GONE, 0.00301)}, shift_m={TIP: (GONE, 0.2)})
    assert rms(found.error_m()[GONE, TIP]) < 0.03
    assert (found.status(TIP)[GONE] == PointStatus.INFERRED).all()
    assert rms(found.error_m()[GONE][:, [THROAT, BUTT]]) < 0.01


def test_nor_is_one_without_agreement_for_long() -> None:
    """Throat and tip are hidden and nothing contradicts their curves, which call themselves sure to 3 mm: that
    counts for 0.07 s and not for 0.2 s, for which the butt alone tells no direction.
    """
    short, long = (
        swing(9, 0.003, {p: (gone, 0.00301) for p in (TIP, THROAT)}).status(TIP)
        for gone in (slice(60, 68), slice(60, 84))
    )
    assert (short[60:68] == PointStatus.BRIDGED).all()
    assert (long[60:84] == PointStatus.TOO_FEW_VIEWS).all()


def test_a_curve_between_measured_instants_is_less_sure_the_longer_they_are_apart() -> None:
    """By hand: apart by 25 ms and by 75 ms, where 50 ms and more double the errors."""
    measured = np.ones(40, dtype=bool)
    measured[10:12] = measured[20:28] = False
    grown = less_sure(measured, np.arange(40) / 120)
    np.testing.assert_allclose(grown[10:12], 1.5)
    np.testing.assert_allclose(grown[20:28], 2.0)
    np.testing.assert_array_equal(grown[measured], 1.0)


def test_lonely_agreement_among_such_spots_is_none() -> None:
    """By hand: instants 10, 11 and 30 to 40 agree; spots of single cameras stand at 9 and 25."""
    t, measured = np.arange(60) / 120, np.zeros(60, dtype=bool)
    measured[[10, 11]] = measured[30:41] = True
    grid = np.sort(np.concatenate([np.arange(60), [9, 25]]))
    wanted = np.concatenate([[True], np.diff(grid) > 0])
    n = len(grid)
    events = PointEvents(t[grid], np.where(wanted, -1, 0), np.zeros((n, 2)), np.ones(n), grid, wanted, wanted)
    kept, vague = trusted(events, measured, t)
    assert np.flatnonzero(kept).tolist() == list(range(30, 41))
    assert np.flatnonzero(vague).tolist() == [*range(30), *range(41, 60)]
    every = np.arange(60)
    clicked = PointEvents(t, np.full(60, -1), np.zeros((60, 2)), np.ones(60), every, every >= 0, every >= 0)
    kept, vague = trusted(clicked, measured, t)
    np.testing.assert_array_equal(kept, measured)  # points clicked in a few frames stand among nothing
    assert np.flatnonzero(vague).tolist() == [*range(12, 30), *range(41, 60)]  # before 10 it is 0.08 s


def test_draws_have_the_covariance_that_is_stated() -> None:
    found = swing(5, 0.005, {TIP: (GONE, 0.5), BUTT: (slice(20, 30), 0.2)})
    draws, cov = found.racket.held.draws_m, found.racket.held.motion.cov_m2
    for when in (GONE, slice(20, 30), slice(100, 140)):
        drawn = np.einsum("dtpi,dtpj->pij", draws[:, when], draws[:, when]) / (DRAWS * (when.stop - when.start))
        stated = cov[when].mean(axis=0)
        sd = np.sqrt(np.einsum("pii->pi", stated))
        np.testing.assert_allclose((drawn - stated) / (sd[:, :, None] * sd[:, None]), 0.0, atol=0.25)


def test_a_tip_without_tape_is_told_by_the_rackets_length() -> None:
    found = swing(6, 0.003, never=(TIP,), racket_length_m=LENGTH_M + TAPES_INSIDE_M)
    assert (found.status(TIP) == PointStatus.INFERRED).all()
    assert rms(found.error_m()[:, TIP]) < 0.02
    u = np.sqrt(np.trace(found.racket.held.motion.cov_m2[:, TIP], axis1=1, axis2=2))
    assert (u > 0.012).all()  # the tapes' own places are no better known
    untold = swing(6, 0.003, never=(TIP,))
    assert np.isnan(untold.racket.held.motion.xyz_m[:, TIP]).all()
    assert untold.racket.shape is None


def test_only_measured_samples_are_carried_by_cameras() -> None:
    """Whoever asks which cameras carry a sample of the racket finds none where it is inferred or absent."""
    found = swing(6, 0.003, {TIP: (GONE, 0.4)}, spotted={BUTT: [80]})
    carried = np.isfinite(found.racket.support_px).all(axis=2)
    np.testing.assert_array_equal(carried, found.racket.held.motion.status == PointStatus.OK)


def test_two_points_keep_their_distance_where_the_third_was_never_seen() -> None:
    found = swing(7, 0.005, never=(THROAT,))
    before = found.held.motion.xyz_m - found.true_m
    two = [TIP, BUTT]
    assert rms(found.error_m()[:, two]) < 0.97 * rms(before[:, two])
    apart = np.linalg.norm(np.diff(found.racket.held.motion.xyz_m[:, two], axis=1)[:, 0], axis=1)
    assert apart.std() < 0.3 * 0.005 * np.sqrt(2)


def test_a_motion_without_a_racket_stays_as_it_is() -> None:
    held = swing(0).held
    bare = replace(held, motion=replace(held.motion, keypoints=("nose", "left_ear", "right_ear")))
    assert hold_racket(bare, MotionSupport(("a", "b"), np.ones((len(T), 3, 2)), (None,) * 3)).held is bare


def told(ends: tuple[str, str], length_m: float, u_m: float, rng: np.random.Generator) -> Length:
    return Length(ends, length_m, u_m, 0.001, rng.normal(0, u_m, 4000))


def test_a_shape_is_the_weighted_mean_of_what_its_distances_say(rng: np.random.Generator) -> None:
    """By hand: 300 + 350 mm against 662 mm, all u 2 mm: a third of the 12 mm that are missing goes to each."""
    lengths = [told(ends, m, 0.002, rng) for ends, m in zip(SPANS, (0.300, 0.350, 0.662), strict=True)]
    shape = shape_of(lengths, None, 4000, rng)
    assert shape is not None
    assert shape.butt_throat_m == pytest.approx(0.304)
    assert shape.throat_tip_m == pytest.approx(0.354)
    # each by itself 2 mm, and the other two say it to 2 mm times root 2: together root (2/3) of 2 mm
    assert np.sqrt(shape.covariance_m2[0, 0]) == pytest.approx(0.002 * np.sqrt(2 / 3), rel=0.05)


def test_one_distance_is_no_shape_and_a_told_length_makes_it_one(rng: np.random.Generator) -> None:
    lengths = [told(SPANS[0], BUTT_THROAT_M, 0.001, rng)]
    assert shape_of(lengths, None, 4000, rng) is None
    shape = shape_of(lengths, LENGTH_M + TAPES_INSIDE_M, 4000, rng)
    assert shape is not None
    assert shape.throat_tip_m == pytest.approx(THROAT_TIP_M)
    assert np.sqrt(shape.covariance_m2[1, 1]) == pytest.approx(np.hypot(0.001, 0.012), rel=0.05)
