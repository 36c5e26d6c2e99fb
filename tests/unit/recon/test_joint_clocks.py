"""Clocks as unknowns of the motion: a small fraction of a frame, and as sure as they say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.instants import points_at_instants
from recon.records import WHITE, CameraTracks, Clock, Clocks, NoiseShape, Tracks2D
from recon.sync import refine_clocks
from tests.support.noise import unit_noise
from tests.support.world import InventedMotion, seen_by, three_cameras

CAMERAS = three_cameras()
OFFSETS = {"rear_left": 0.0, "rear_right": 0.4163, "side": -0.2871}
LASTING = NoiseShape(white=0.1, slow=0.0, bias=0.9)


def recorded(sigma_px: float, shape: NoiseShape, seed: int, told: NoiseShape | None = None) -> Tracks2D:
    rng = np.random.default_rng(seed)
    exact = seen_by(CAMERAS, InventedMotion(seed), offsets_s=OFFSETS, sigma_px=1e-6, rng=rng)
    names = exact.keypoints
    noisy = tuple(
        CameraTracks(
            c.camera, c.size_px, c.t_cam_s,
            c.uv_px + sigma_px * unit_noise(c.t_cam_s, (shape,) * len(names), rng),
            np.full(c.sigma_px.shape, sigma_px),
        )
        for c in exact.cameras
    )  # fmt: skip
    return Tracks2D(names, noisy, "invented", ((told or shape),) * len(names))


def refined(tracks: Tracks2D, off_s: float = 0.001) -> Clocks:
    start = Clocks(
        "rear_left",
        tuple(Clock(n, o + (0.0 if n == "rear_left" else off_s), off_s) for n, o in OFFSETS.items()),
    )
    return refine_clocks(CAMERAS, tracks, start, points_at_instants(CAMERAS, tracks, start))


def errors(tracks: list[Tracks2D]) -> tuple[np.ndarray, np.ndarray]:
    """Errors (N, 2) and their stated u, seconds."""
    found = [[refined(t).of(n) for n in ("rear_right", "side")] for t in tracks]
    true = [OFFSETS[n] for n in ("rear_right", "side")]
    return (
        np.array([[c.offset_s - o for c, o in zip(row, true, strict=True)] for row in found]),
        np.array([[c.u_s for c in row] for row in found]),
    )


@pytest.mark.parametrize(("shape", "sigma_px", "most_s"), [(WHITE, 2.0, 9e-4), (LASTING, 3.0, 5e-4)])
def test_a_millisecond_becomes_a_fraction_and_u_says_which(shape, sigma_px, most_s) -> None:
    """The invented points are slow beside a serve's (a few m/s), so the figures are coarser than there."""
    error, u = errors([recorded(sigma_px, shape, seed) for seed in range(4)])
    assert np.abs(error).max() < most_s
    assert 0.4 < np.sqrt(np.mean((error / u) ** 2)) < 1.8  # eight errors, two and two hanging together


def test_lasting_errors_that_nobody_told_widen_u() -> None:
    """The points then contradict each other, which is seen."""
    error, u = errors([recorded(3.0, LASTING, seed, told=WHITE) for seed in range(3)])
    assert (np.abs(error) < 4 * u).all()
    honest = errors([recorded(3.0, LASTING, 0)])[1]
    assert u.mean() > 2 * honest.mean()


def test_the_reference_stays_and_a_still_scene_tells_nothing() -> None:
    tracks = recorded(2.0, WHITE, 0)
    reference = refined(tracks).of("rear_left")
    assert (reference.offset_s, reference.u_s) == (0.0, 0.0)
    rng = np.random.default_rng(1)
    still = tuple(replace(c, uv_px=c.uv_px[:1] + rng.normal(0, 2, c.uv_px.shape)) for c in tracks.cameras)
    found = refined(replace(tracks, cameras=still), off_s=0.001)
    assert found.of("rear_right").u_s >= 0.001
