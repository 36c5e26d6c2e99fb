"""Where a followed player is expected: on at steady speed, wider with time, and not for ever."""

from __future__ import annotations

import numpy as np
import pytest

from recon.keypoints.pose import Window
from recon.keypoints.trail import Trail


def walked(speed_px_s: float, fps: float, frames: int, jitter_px: float = 0.0) -> Trail:
    rng, trail = np.random.default_rng(3), Trail()
    for k in range(frames):
        off = rng.normal(0, jitter_px, 2)
        trail = trail.then(k / fps, Window(400 + speed_px_s * k / fps + off[0], 300 + off[1], 500))
    return trail


@pytest.mark.parametrize("fps", [30, 60, 120, 240])
def test_steady_motion_is_foretold_exactly(fps: float) -> None:
    window = walked(700.0, fps, 24).expected(24 / fps)
    assert window is not None
    np.testing.assert_allclose([window.u_px, window.v_px], [400 + 700 * 24 / fps, 300], atol=1e-9)


def test_after_frames_that_show_nobody_it_leads_on_and_is_wider() -> None:
    window = walked(700.0, 120, 24).expected(30 / 120)
    assert window is not None
    assert window.u_px == pytest.approx(400 + 700 * 30 / 120)
    assert window.side_px == pytest.approx(500 * (1 + 7 / 120))


def test_nobody_is_expected_for_ever_or_before_the_first_sight() -> None:
    assert walked(700.0, 120, 24).expected(23 / 120 + 0.16) is None
    assert Trail().expected(0.0) is None


def test_a_single_sight_tells_no_speed() -> None:
    window = walked(700.0, 120, 1).expected(1 / 120)
    assert window is not None and window.u_px == 400


def test_jitter_is_not_carried_far() -> None:
    """Two sights 1/120 s apart, 4 px of jitter: extrapolated over 0.14 s it would be up to 17 times as much."""
    window = walked(0.0, 120, 2, jitter_px=4.0).expected(1 / 120 + 0.14)
    assert window is not None and abs(window.u_px - 400) < 4 * 4
