"""Sources of one clock put together by covariance; one that contradicts the others is named."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.errors import BadInput
from recon.records import Clock, Clocks
from recon.sync import SameInstant, combine

MOTION = Clocks("a", (Clock("a", 0.0, 0.0), Clock("b", 0.500, 0.002), Clock("c", -0.3, 0.001)))


def instant(source: str, b_s: float | None, c_s: float | None, u_s: float, own_s: float = 1.0) -> SameInstant:
    """Camera a reads own_s, b and c what they would with these offsets; every reading has u_s."""
    read = (
        {"a": own_s} | ({} if b_s is None else {"b": own_s - b_s}) | ({} if c_s is None else {"c": own_s - c_s})
    )
    return SameInstant(source, tuple(read), np.array(list(read.values())), np.eye(len(read)) * u_s**2)


def test_two_sources_by_hand() -> None:
    """0.500 ± 0.002 and 0.503 ± 0.001·√2: weights 1/4 and 1/2, so 0.502 ± 0.001155."""
    found, (told,) = combine(MOTION, [instant("sound", 0.503, None, 0.001)])
    b = found.of("b")
    assert b.offset_s == pytest.approx(0.502) and b.u_s == pytest.approx(0.0011547, rel=1e-4)
    assert b.source == "motion, sound" and told.used and told.camera == "b"
    assert found.of("c") == MOTION.of("c")  # no sound of camera c
    assert (found.of("a").offset_s, found.of("a").u_s) == (0.0, 0.0)


def test_readings_of_one_instant_share_the_reference_s_error() -> None:
    found, _ = combine(MOTION, [instant("flash", 0.5, -0.3, 0.003)])
    joint = found.covariance()
    assert joint[3, 6] > 0  # both lean on camera a's reading
    assert found.of("b").u_s < MOTION.of("b").u_s


def test_a_drift_counts_at_the_time_of_the_instant() -> None:
    drifting = Clocks("a", (Clock("a", 0.0, 0.0), Clock("b", 0.5, 0.001, drift=1e-3, u_drift=1e-4, at_s=0.5)))
    # at camera time 10.5 s rig time is 0.5 + 0.01 s ahead: an instant that agrees moves nothing
    agrees = SameInstant("flash", ("a", "b"), np.array([11.01, 10.5]), np.eye(2) * 1e-8)
    found, (told,) = combine(drifting, [agrees])
    assert abs(told.miss_s) < 1e-12 and found.of("b").offset_s == pytest.approx(0.5)
    assert found.of("b").u_drift == pytest.approx(1e-4 / np.sqrt(2), rel=0.02)  # 1 ms there, as the offset has


def test_one_that_contradicts_the_motion_is_left_out_and_named() -> None:
    found, (told,) = combine(MOTION, [instant("sound", 0.54, None, 0.001)])
    assert found.of("b").offset_s == 0.5 and found.of("b").source == "motion"
    assert not told.used and told.sigmas > 10
    assert told.sentence().startswith("sound contradicts the other sources") and "camera b" in told.sentence()


def test_two_that_agree_outvote_the_motion() -> None:
    say = [instant("sound", 0.54, -0.3, 0.001), instant("flash", 0.5402, -0.3001, 0.0005)]
    found, told = combine(MOTION, say)
    assert found.of("b").offset_s == pytest.approx(0.5402, abs=3e-4) and all(t.used for t in told)
    assert found.of("b").source == "sound, flash"
    assert found.of("b").u_s < 0.001


def test_the_combination_errs_as_it_says() -> None:
    """Offsets drawn, sources drawn around them: squared errors in sigmas over 400 draws."""
    rng = np.random.default_rng(4)
    squared, left_out = [], 0
    for _ in range(400):
        true = rng.normal(0, 1, 2)
        motion = Clocks("a", (Clock("a", 0.0, 0.0), *(
            Clock(n, t + rng.normal(0, 0.001), 0.001) for n, t in zip("bc", true, strict=True))))  # fmt: skip
        say = []
        for source, u in (("sound", 0.002), ("flash", 0.0007)):
            read = 2.0 - np.array([0.0, *true]) + rng.normal(0, u, 3)
            say.append(SameInstant(source, ("a", "b", "c"), read, np.eye(3) * u**2))
        found, told = combine(motion, say)
        left_out += sum(not t.used for t in told)
        error = np.array([found.of("b").offset_s, found.of("c").offset_s]) - true
        joint = found.covariance()[np.ix_([3, 6], [3, 6])]
        squared.append(error @ np.linalg.solve(joint, error) / 2)
    assert 0.86 < np.mean(squared) < 1.14  # 2 sigmas of the mean of 400 are 0.1
    assert left_out <= 4


def test_what_is_no_instant_is_refused() -> None:
    with pytest.raises(BadInput, match="two or more different cameras"):
        SameInstant("sound", ("a",), np.zeros(1), np.eye(1))
    with pytest.raises(BadInput, match="no camera 'z'"):
        combine(MOTION, [SameInstant("sound", ("a", "z"), np.zeros(2), np.eye(2))])
