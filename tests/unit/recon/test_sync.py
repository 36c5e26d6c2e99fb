"""Clocks from the motion: found over any overlap, to a fraction of a frame, or an honest refusal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration import NotMeasurable
from recon.epipolar import disagreement, essential
from recon.records import Tracks2D
from recon.sync import estimate_clocks
from tests.support.world import InventedMotion, seen_by, three_cameras

CAMERAS = three_cameras()


def test_a_point_seen_at_one_instant_lies_on_its_epipolar_line(rng):
    points = rng.uniform([-1, -0.5, 0], [1, 1, 3], (40, 3))
    a, b = (camera.normalised(camera.project(points)) for camera in CAMERAS[:2])
    distance, _ = disagreement(essential(CAMERAS[0], CAMERAS[1]), a, b)
    np.testing.assert_allclose(distance, 0, atol=1e-9)


@pytest.mark.parametrize("world", [0, 1])
def test_offsets_of_seconds_are_found_to_a_fraction_of_a_frame(world, rng):
    offsets = {
        "rear_left": 0.0,
        "rear_right": float(rng.uniform(-1.2, 1.2)),
        "side": float(rng.uniform(-1.2, 1.2)),
    }
    tracks = seen_by(
        CAMERAS,
        InventedMotion(world),
        offsets_s=offsets,
        span_s=(0, 3.2),
        sigma_px=1.0,
        rng=rng,
        gross_share=0.02,
    )
    clocks = estimate_clocks(CAMERAS, tracks)
    for name in ("rear_right", "side"):
        clock = clocks.of(name)
        assert abs(clock.offset_s - offsets[name]) < 1e-3
        assert abs(clock.offset_s - offsets[name]) < 4 * clock.u_s


def test_the_fraction_of_a_frame_is_not_pulled_between_frames(rng):
    """Interpolated noise is smallest half-way between frames; a fit that ignores it lands there, 0.7 ms off."""
    errors = []
    for k in range(6):
        offsets = {"rear_left": 0.0, "rear_right": 0.41}
        tracks = seen_by(CAMERAS[:2], InventedMotion(k % 3), offsets_s=offsets, sigma_px=2.0, rng=rng)
        errors.append(estimate_clocks(CAMERAS[:2], tracks).of("rear_right").offset_s - 0.41)
    assert abs(np.mean(errors)) < 3e-4 + 2 * np.std(errors) / np.sqrt(6)


def test_one_moving_point_is_too_little(rng):
    offsets = {"rear_left": 0.0, "rear_right": 0.3}
    tracks = seen_by(CAMERAS[:2], InventedMotion(0), offsets_s=offsets, sigma_px=0.5, rng=rng)
    tip = tracks.index("racket_tip")
    alone = []
    for c in tracks.cameras:
        uv, sigma = np.full_like(c.uv_px, np.nan), np.full_like(c.sigma_px, np.nan)
        uv[:, tip], sigma[:, tip] = c.uv_px[:, tip], c.sigma_px[:, tip]
        alone.append(replace(c, uv_px=uv, sigma_px=sigma))
    with pytest.raises(NotMeasurable):
        estimate_clocks(CAMERAS[:2], replace(tracks, cameras=tuple(alone)))


@pytest.mark.parametrize("jitter_px", [0.0, 1e-9])
def test_points_that_stand_still_are_no_movement_to_lock_on(jitter_px, rng):
    """Still points agree at every offset; in their last digits one may seem to stand out."""
    offsets = {camera.name: 0.0 for camera in CAMERAS}
    moves = seen_by(CAMERAS, InventedMotion(3), offsets_s=offsets, rng=rng)
    still = tuple(
        replace(s, uv_px=s.uv_px[:1] + jitter_px * rng.normal(size=s.uv_px.shape)) for s in moves.cameras
    )
    for seen, who in (((moves.cameras[0], *still[1:]), "rear_right"), (still, "rear_left")):
        with pytest.raises(NotMeasurable, match=f"no movement to lock on: all that {who} sees stands still"):
            estimate_clocks(CAMERAS, replace(moves, cameras=seen))


def test_clips_of_different_serves_are_refused_by_name(rng):
    one = seen_by(CAMERAS[:2], InventedMotion(0), offsets_s={"rear_left": 0.0, "rear_right": 0.3}, rng=rng)
    other = seen_by(CAMERAS[:2], InventedMotion(7), offsets_s={"rear_left": 0.0, "rear_right": 0.3}, rng=rng)
    mixed = Tracks2D(one.keypoints, (one.cameras[0], other.cameras[1]), "invented")
    with pytest.raises(NotMeasurable, match=r"rear_left and rear_right.*same serve"):
        estimate_clocks(CAMERAS[:2], mixed)
