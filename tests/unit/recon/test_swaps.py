"""Sides exchanged in one view are found and put back; a sound view is left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.records import Clock, Clocks, Tracks2D
from recon.swaps import GROUPS, repair_swaps
from tests.support.world import InventedMotion, seen_by, three_cameras

CAMERAS = three_cameras()
OFFSETS = {"rear_left": 0.0, "rear_right": 0.0042, "side": -0.0031}


def clocks(cameras) -> Clocks:
    return Clocks("rear_left", tuple(Clock(c.name, OFFSETS[c.name], 0.0) for c in cameras))


def exchanged(tracks: Tracks2D, camera: str, start_s: float, stop_s: float) -> Tracks2D:
    left, right = ([tracks.index(f"{side}_{p}") for p in GROUPS[1]] for side in ("left", "right"))
    cameras = []
    for c in tracks.cameras:
        uv = c.uv_px.copy()
        if c.camera == camera:
            rows = np.flatnonzero((c.t_cam_s > start_s) & (c.t_cam_s < stop_s))[:, None]
            uv[rows, left], uv[rows, right] = c.uv_px[rows, right], c.uv_px[rows, left]
        cameras.append(replace(c, uv_px=uv))
    return replace(tracks, cameras=tuple(cameras))


@pytest.mark.parametrize("count", [2, 3])
@pytest.mark.parametrize("camera", ["rear_left", "rear_right"])
def test_an_exchange_is_undone_in_the_right_view(count, camera, rng):
    cameras = CAMERAS[:count]
    sound = seen_by(cameras, InventedMotion(2), offsets_s=OFFSETS, sigma_px=2.0, rng=rng)
    spoilt = exchanged(sound, camera, 0.8, 1.6)
    repaired, found = repair_swaps(cameras, spoilt, clocks(cameras))
    assert {e.camera for e in found} == {camera}
    assert found[0].start_s == pytest.approx(0.8, abs=0.03)
    assert found[-1].stop_s == pytest.approx(1.6, abs=0.03)
    for before, after in zip(sound.cameras, repaired.cameras, strict=True):
        different = (np.nan_to_num(before.uv_px) != np.nan_to_num(after.uv_px)).any(axis=(1, 2))
        assert different.mean() < 0.02  # a frame at either end may be told wrongly


def test_sides_exchanged_all_the_time_are_told_and_left(rng):
    sound = seen_by(CAMERAS[:2], InventedMotion(2), offsets_s=OFFSETS, sigma_px=2.0, rng=rng)
    spoilt = exchanged(sound, "rear_left", -1.0, 9.0)
    repaired, found = repair_swaps(CAMERAS[:2], spoilt, clocks(CAMERAS[:2]))
    assert found
    assert not any(e.undone for e in found)
    for before, after in zip(spoilt.cameras, repaired.cameras, strict=True):
        np.testing.assert_array_equal(before.uv_px, after.uv_px)


def test_nothing_is_done_without_need(rng):
    sound = seen_by(CAMERAS, InventedMotion(2), offsets_s=OFFSETS, sigma_px=3.0, rng=rng, gross_share=0.02)
    repaired, found = repair_swaps(CAMERAS, sound, clocks(CAMERAS))
    assert found == ()
    for before, after in zip(sound.cameras, repaired.cameras, strict=True):
        np.testing.assert_array_equal(before.uv_px, after.uv_px)
