"""The study's estimators on errors drawn from known offsets and noise, and the invented cast."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from benchmarks.keypoint_study.errors import Offsets, Residuals
from benchmarks.keypoint_study.estimate import common_covariance, fit_offset, left_error, noise_shares
from benchmarks.keypoint_study.views import fit_views
from calibration.errors import BadInput
from demo_rigs.builds import Build
from demo_rigs.cast import load_cast
from recon.detector_study import PARTS, PixelError
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
    found, known = errors.right_side(new.posture.reshape(-1, 17, 3))
    miss = found[:, PARTS.index("hip")] - new.uv * [-1.0, 1.0]
    near = known > 0.9
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
        rows.append(residuals("knee", uv, np.zeros((120, 2, 6)), np.zeros((120, 51)), visibility=seen))
    offsets = [Offsets("a", "knee", 1.3, turning(rng, 50), np.zeros((50, 3)))]
    left = left_error(rows, offsets, "knee", before)
    assert left["share"] == pytest.approx(0.7, rel=0.2)
    assert left["white"] > 0.8


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
