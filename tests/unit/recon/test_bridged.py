"""Gaps between looks, filled for searches that compare frame by frame."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.keypoints import without_person
from recon.records import BODY, CameraTracks
from recon.resample import bridged


def seen_every_third(gap_at: int) -> tuple[CameraTracks, Array]:
    """A cubic in time, looked at in every third frame, and not at all for two looks."""
    t = np.arange(40) / 120
    true = np.stack([300 + 500 * t - 900 * t**2, 200 + 100 * t], axis=1)[:, None]
    looked = (np.arange(40) % 3 == 0) & (np.abs(np.arange(40) - gap_at) > 2)
    uv = np.where(looked[:, None, None], true, np.nan)
    sigma = np.where(looked[:, None], 1.5, np.nan)
    return CameraTracks("a", (1280, 720), t, uv, sigma), true


def test_short_gaps_are_filled_and_long_ones_stay() -> None:
    tracks, true = seen_every_third(gap_at=20)
    filled = bridged(tracks)
    looked = ~np.isnan(tracks.sigma_px[:, 0])
    np.testing.assert_array_equal(filled.uv_px[looked], tracks.uv_px[looked])
    bridges = ~np.isnan(filled.sigma_px[:, 0])
    assert bridges[:16].all() and not bridges[16:24].any() and bridges[24:].all()  # looks at 15 and 24
    assert np.abs(filled.uv_px[bridges] - true[bridges]).max() < 0.3
    assert (filled.sigma_px[bridges] == 1.5).all()


def test_frames_passed_over_do_not_count_as_without_the_player() -> None:
    body = np.full((40, len(BODY), 2), np.nan)
    body[:22:3] = 1.0
    absent = without_person(body)
    assert not absent[:24].any() and absent[24:].all()
