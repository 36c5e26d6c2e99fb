"""The study's estimators on errors drawn from known offsets and noise, and the invented cast."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from benchmarks.keypoint_study.doubt import larger, left_by_others
from benchmarks.keypoint_study.errors import Offsets, Residuals
from benchmarks.keypoint_study.estimate import common_covariance, fit_offset, left_error, noise_shares
from benchmarks.keypoint_study.findings import unlike
from benchmarks.keypoint_study.views import fit_views
from calibration.errors import BadInput
from demo_rigs.builds import Build
from demo_rigs.cast import load_cast
from recon.detector_study import PARTS, PixelError, ViewErrors
from recon.records import NoiseShape

MEAN = np.array([0.02, -0.03, 0.01, 0.0, 0.01, 0.0])


def turning(rng: np.random.Generator, n: int) -> np.ndarray:
    """(n, 3, 6) two segments that turn independently."""
    return np.concatenate([Rotation.random(n, rng=rng).as_matrix() for _ in range(2)], axis=2)


def residuals(part: str, uv: np.ndarray, moves: np.ndarray, posture: np.ndarray, **others: object) -> Residuals:
    n = len(uv)
    known = {"athlete": "a", "point": "p", "t_s": np.arange(n) / 60, "mirrored": False}
    sees = {"visibility": np.ones(n), "spread": np.full(n, np.nan)}
    return Residuals(part=part, uv=uv, by_offset=moves, posture=posture, **(known | sees | others))


def test_the_offset_is_found_among_athletes_who_differ_and_gross_errors():
    rng = np.random.default_rng(1)
    rows = []
    for athlete in "abcdefgh":
        frames = turning(rng, 200)
        offset = frames @ MEAN + frames[:, :, :3] @ rng.normal(0, 0.004, 3) + rng.normal(0, 0.002, (200, 3))
        offset[:10] += 0.4  # a stretch of exchanged sides
        rows.append(Offsets(athlete, "knee", 1.3, frames, offset))
    np.testing.assert_allclose(fit_offset(rows, "knee"), MEAN, atol=0.004)


def test_what_all_views_share_is_told_from_what_each_view_gets_wrong():
    rng = np.random.default_rng(2)
    sd = np.array([0.010, 0.020, 0.006])
    rows = []
    for k in range(150):
        frames, own = turning(rng, 20), rng.normal(0, sd)
        for _ in range(3):
            moves = Rotation.random(rng=rng).as_matrix()[:2] @ frames
            uv = moves @ MEAN + moves[:, :, :3] @ own + rng.normal(0, 0.015, (20, 2))
            rows.append(residuals("hip", uv, moves, np.zeros((20, 51)), point=f"{k}"))
    found = common_covariance(rows, MEAN, "hip")
    np.testing.assert_allclose(np.sqrt(np.diag(found)), sd, rtol=0.25)


def smooth_error(posture: np.ndarray) -> np.ndarray:
    """An invented error: up to 3 % of the height, by three of a posture's numbers."""
    return 0.03 * np.stack([np.sin(posture[:, 0]), np.cos(posture[:, 4]) * posture[:, 7] / 2], axis=1)


def test_view_errors_of_both_sides_are_learned_from_noisy_pictures_with_gross_errors_among_them():
    rng = np.random.default_rng(6)
    directions = rng.normal(0, 1, (4, 51))  # postures of a movement fill few of their 51 dimensions

    def taken(part: str, n: int, *, left: bool, noise: float) -> Residuals:
        posture = rng.normal(0, 0.6, (n, 4)) @ directions
        uv = smooth_error(posture) * [-1.0 if left else 1.0, 1.0] + rng.normal(0, noise, (n, 2))
        uv[: round(0.03 * n)] += 0.3 * (noise > 0)
        return residuals(part, uv, np.zeros((n, 2, 6)), posture, mirrored=left)

    rows = [taken(part, 1200, left=left, noise=0.01) for part in PARTS for left in (False, True)]
    errors = fit_views(rows, {part: np.zeros(6) for part in PARTS})
    new = taken("hip", 400, left=True, noise=0.0)
    found = errors.right_side(new.posture.reshape(-1, 17, 3))
    miss = found.errors[:, PARTS.index("hip")] - new.uv * [-1.0, 1.0]
    near = found.known > 0.9
    np.testing.assert_array_equal(found.larger, 1.0)
    assert near.mean() > 0.3
    assert np.sqrt(np.mean(miss[near] ** 2)) < 0.25 * np.sqrt(np.mean(new.uv[near] ** 2))


def test_the_share_of_sigma_that_is_left_is_found():
    rng = np.random.default_rng(8)
    before = PixelError(base=0.02, hidden=3.0, spread=0.0, shape=NoiseShape())
    rows = []
    for k in range(60):
        seen = np.full(120, k / 60)
        uv = 0.7 * before.sigma(seen, np.zeros(120))[:, None] * rng.normal(0, 1, (120, 2))
        uv[:2] = 1.0  # gross
        sees = {"visibility": seen, "athlete": "ab"[k % 2]}
        rows.append(residuals("knee", uv, np.zeros((120, 2, 6)), np.zeros((120, 51)), **sees))
    left, doubt = left_error(rows, no_offsets(rng), "knee", before, two_postures())
    assert left["share"] == pytest.approx(0.7, rel=0.2)
    assert left["white"] > 0.8
    assert np.ptp(np.exp(doubt)) < 0.2


def two_postures() -> ViewErrors:
    """A study that shows two postures, 0 and 10 in all numbers, and says nothing of either."""
    shown = np.stack([np.zeros(51), np.full(51, 10.0)])
    nothing = np.zeros((2, len(PARTS)))
    return ViewErrors(np.zeros(51), np.ones(51), shown, 5.0, np.zeros((2, len(PARTS), 2)), nothing)


def no_offsets(rng: np.random.Generator) -> list[Offsets]:
    return [Offsets(athlete, "knee", 1.3, turning(rng, 50), np.zeros((50, 3))) for athlete in "ab"]


def test_in_which_posture_errors_are_larger_is_found_and_does_not_count_in_the_share():
    """By hand: sigma 0.5 and 1.5 of the stated one in two postures; in sigmas of their own both are alike."""
    rng = np.random.default_rng(9)
    before = PixelError(base=0.02, hidden=0.0, spread=0.0, shape=NoiseShape())
    rows = []
    for k in range(40):
        still, size = (np.zeros((120, 51)), 0.5) if k % 4 < 2 else (np.full((120, 51), 10.0), 1.5)
        uv = size * 0.02 * rng.normal(0, 1, (120, 2))
        rows.append(residuals("knee", uv, np.zeros((120, 2, 6)), still, athlete="ab"[k % 2]))
    left, doubt = left_error(rows, no_offsets(rng), "knee", before, two_postures())
    factors = [larger(two_postures(), doubt, rows[k])[0] for k in (0, 2)]
    assert factors[1] / factors[0] == pytest.approx(3.0, rel=0.1)
    assert left["by_posture"] * factors[0] == pytest.approx(0.5, rel=0.1)
    assert left["by_posture"] * factors[1] == pytest.approx(1.5, rel=0.1)
    assert left["share"] == pytest.approx(np.sqrt((0.5**2 + 1.5**2) / 2), rel=0.05)


def test_the_share_that_is_left_is_told_by_athletes_whose_doubt_was_learned_from_others():
    """One athlete errs more in a posture in which the other errs less: each is told the other's."""
    rng = np.random.default_rng(10)
    rows, in_sigmas = [], []
    for athlete, sizes in (("a", (0.5, 1.5)), ("b", (1.5, 0.5))):
        for posture, size in zip((0.0, 10.0), sizes, strict=True):
            still = np.full((400, 51), posture)
            rows.append(residuals("knee", np.zeros((400, 2)), np.zeros((400, 2, 6)), still, athlete=athlete))
            in_sigmas.append(size * rng.normal(0, 1, (400, 2)))
    factors = [f[0] for f in left_by_others(two_postures(), rows, in_sigmas)]
    assert factors[0] / factors[1] == pytest.approx(3.0, rel=0.2)
    assert factors[3] / factors[2] == pytest.approx(3.0, rel=0.2)


def test_what_is_left_is_measured_on_serves_unlike_those_learned_from():
    takes = [t for t in load_cast() if t.which == "build"]
    for take in takes:
        others = unlike(take, takes)
        assert others
        assert all(o.athlete != take.athlete and o.script != take.script for o in others)
    alike = [t for t in takes if t.script == takes[0].script]
    assert {o.athlete for o in unlike(alike[0], alike)} == {t.athlete for t in alike} - {alike[0].athlete}


@pytest.mark.parametrize(("white", "slow", "bias"), [(0.1, 0.6, 0.3), (0.5, 0.5, 0.0)])
def test_shares_of_drawn_noise_are_found(white, slow, bias):
    rng = np.random.default_rng(3)
    step, n = 1 / 60, 120
    keep = np.exp(-step / 0.11)
    series = []
    for _ in range(400):
        e = np.empty((n, 2))
        e[0] = rng.normal(0, 1, 2)
        for k in range(1, n):
            e[k] = keep * e[k - 1] + np.sqrt(1 - keep**2) * rng.normal(0, 1, 2)
        z = np.sqrt(slow) * e + np.sqrt(bias) * rng.normal(0, 1, 2) + np.sqrt(white) * rng.normal(0, 1, (n, 2))
        series.append((np.arange(n) * step, z))
    found = noise_shares(series)
    assert found["slow"] == pytest.approx(slow, abs=0.12)
    assert found["bias"] == pytest.approx(bias, abs=0.08)
    assert found["slow_s"] == pytest.approx(0.11, abs=0.05)


def test_the_cast_is_what_the_study_says_it_is():
    takes = load_cast()
    athletes = {which: {t.athlete: t.scene.serves[0].athlete for t in takes if t.which == which}
                for which in ("build", "held_out")}  # fmt: skip
    assert len(athletes["build"]) >= 8
    assert len(athletes["held_out"]) >= 6
    assert not set(athletes["build"]) & set(athletes["held_out"])
    children = [a for a in athletes["held_out"].values() if 1.30 <= a.height_m <= 1.50]
    assert len(children) == 2
    assert any(a.wear.cap and a.wear.skirt_m > 0 for a in children)
    for some in athletes.values():
        assert {a.handedness for a in some.values()} == {"left", "right"}
        assert all(a.label.endswith("(invented)") for a in some.values())
    assert all(sum(t.athlete == key for t in takes) >= 2 for some in athletes.values() for key in some)
    assert all(len(t.scene.cameras) == 3 for t in takes)


def test_a_build_shares_its_targets_out():
    targets = Build(female=0.25, child=0.5, muscle=0.4).targets()
    shares = {k: v for k, v in targets.items() if "universal" not in k and "height" not in k}
    assert sum(shares.values()) == pytest.approx(1.0)
    assert targets["macrodetails/universal-female-child-maxmuscle-averageweight"] == pytest.approx(0.05)
    with pytest.raises(BadInput, match="shares in 0"):
        Build(female=1.5)
