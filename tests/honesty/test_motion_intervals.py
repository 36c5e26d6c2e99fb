"""Do the motion's intervals hold the truth, whatever its noise is made up of, for places, speeds and angles?

A hundred invented worlds; each gives one trial per quantity, at a point, instant and axis drawn at random, so
that trials are independent. `benchmarks/motion_honesty.py` asks more worlds, on a serve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.stats import binom

from recon.body import interior_angle_rad
from recon.instants import points_at_instants
from recon.motion import fit_motion
from recon.records import DETECTED, KEYPOINTS, WHITE, CameraTracks, Clock, Clocks, NoiseShape, Tracks2D
from tests.support.noise import unit_noise
from tests.support.world import InventedMotion, three_cameras

WORLDS = 100
NAMES = ("right_shoulder", "right_elbow", "right_wrist", "racket_tip")
COLUMNS = [KEYPOINTS.index(n) for n in NAMES]
T = np.arange(0.6, 2.1, 1 / 120)
LINGERING = NoiseShape(white=0.1, slow=0.9, bias=0.0, slow_s=0.06)
LASTING = NoiseShape(white=0.3, slow=0.0, bias=0.7)
SHAPES = (WHITE, LINGERING, LASTING, DETECTED)
H_S = 1e-4


@dataclass(frozen=True)
class Trial:
    """Errors in standard uncertainties."""

    position: float
    velocity: float
    angle: float


def trial(seed: int) -> Trial:
    rng = np.random.default_rng([2026, seed])
    cameras = three_cameras()[: 2 + seed % 2]
    shape, sigma_px, made = SHAPES[seed % len(SHAPES)], float(rng.uniform(1, 4)), InventedMotion(seed)
    clocks, seen = [], []
    for k, camera in enumerate(cameras):
        offset = 0.0 if k == 0 else float(rng.uniform(0, 1 / 120))
        clocks.append(Clock(camera.name, offset, 0.0))
        uv = camera.project(made.at(T + offset)[:, COLUMNS])
        uv = uv + sigma_px * unit_noise(T, (shape,) * len(NAMES), rng)
        seen.append(CameraTracks(camera.name, camera.size_px, T, uv, np.full(uv.shape[:2], sigma_px)))
    tracks = Tracks2D(NAMES, tuple(seen), "invented", (shape,) * len(NAMES))
    both = Clocks(cameras[0].name, tuple(clocks))
    motion, support = fit_motion(cameras, tracks, both, points_at_instants(cameras, tracks, both))
    k, p, axis = (
        int(rng.integers(15, len(motion.t_s) - 15)),
        int(rng.integers(len(NAMES))),
        int(rng.integers(3)),
    )
    t = motion.t_s[k]
    before, now, after = made.at(np.array([t - H_S, t, t + H_S]))[:, COLUMNS]
    velocity_cov = motion.velocity_cov_m2_s2
    assert velocity_cov is not None

    def angle(points: np.ndarray) -> float:
        return float(interior_angle_rad(*points[:3]))

    spread = np.std([angle(motion.xyz_m[k] + d) for d in support.draws(60, seed)[:, k]], ddof=1)
    return Trial(
        float((motion.xyz_m[k] - now)[p, axis] / np.sqrt(motion.cov_m2[k, p, axis, axis])),
        float((motion.velocity_m_s[k] - (after - before) / (2 * H_S))[p, axis]
              / np.sqrt(velocity_cov[k, p, axis, axis])),
        float((angle(motion.xyz_m[k]) - angle(now)) / spread),
    )  # fmt: skip


@pytest.fixture(scope="module")
def trials() -> list[Trial]:
    return [trial(seed) for seed in range(WORLDS)]


@pytest.mark.parametrize("quantity", ["position", "velocity", "angle"])
def test_the_95_percent_interval_holds_the_truth_as_often_as_it_says(
    trials: list[Trial], quantity: str
) -> None:
    """Not rejected by a two-sided binomial test at 1 %."""
    held = sum(abs(getattr(t, quantity)) < 1.96 for t in trials)
    low, high = binom.ppf([0.005, 0.995], WORLDS, 0.95)
    assert low <= held <= high


@pytest.mark.parametrize("quantity", ["position", "angle"])
def test_intervals_are_no_wider_than_they_must_be(trials: list[Trial], quantity: str) -> None:
    """Velocities may: the invented motion is smoother than the fit takes for granted."""
    z = np.array([getattr(t, quantity) for t in trials])
    assert 0.8 < np.sqrt(np.mean(z**2)) < 1.25
