"""Which frames are looked at: few of a slow movement, all of a quick one, and no gap is left open."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.errors import BadInput
from recon.keypoints.pace import Pace, PassOver
from recon.records import BODY

HEIGHT_PX = 200.0
WRIST = BODY.index("right_wrist")


def looked_at(rule: PassOver, fps: float, frames: int, wrist_px_s: float) -> NDArray[np.bool_]:
    """Frames with a look while the right wrist moves steadily and all else stands still."""
    pace, looks = Pace(rule), np.zeros(frames, bool)
    for k in range(frames):
        t = k / fps
        looks[k] = pace.due(t)
        uv = np.zeros((len(BODY), 2))
        uv[-1, 1] = HEIGHT_PX
        uv[WRIST] = (wrist_px_s * t, 0.5 * HEIGHT_PX)
        pace = pace.looked(t, uv) if looks[k] else pace.passed(t)
    return looks


@pytest.mark.parametrize(("fps", "every"), [(30, 1), (60, 1), (100, 2), (120, 3), (240, 3)])
def test_a_slow_body_is_looked_at_forty_times_a_second(fps: float, every: int) -> None:
    """By hand: 1/40 s is 3 frames at 120 a second, 2.5 at 100, 1.5 at 60; never more than two are passed."""
    looks = np.flatnonzero(looked_at(PassOver(gap_s=0.025), fps, 40, 100.0))
    assert list(looks) == [0, *range(1, 40, every)]  # the first two tell how fast it moves


@pytest.mark.parametrize("fps", [60, 120, 240])
def test_every_frame_of_a_swing_is_looked_at(fps: float) -> None:
    rule = PassOver(gap_s=0.025)
    assert looked_at(rule, fps, 40, 1.05 * rule.fast * HEIGHT_PX * fps).all()
    if fps > 60:
        assert not looked_at(rule, fps, 40, 0.95 * rule.fast * HEIGHT_PX * fps).all()


def test_without_a_gap_every_frame_is_looked_at() -> None:
    assert looked_at(PassOver(), 240, 40, 0.0).all()


def test_jitter_of_time_stamps_changes_nothing() -> None:
    """Stamps of 120 frames a second, rounded to a ten-thousandth of a second."""
    pace, looks = Pace(PassOver(gap_s=0.025)), []
    uv = np.zeros((len(BODY), 2))
    uv[-1, 1] = HEIGHT_PX
    for k in range(40):
        t = round(k / 120, 4)
        looks.append(pace.due(t))
        pace = pace.looked(t, uv) if looks[-1] else pace.passed(t)
    assert sum(looks) == 14


@pytest.mark.parametrize("wrong", [{"gap_s": -0.1}, {"most": 3}, {"fast": 0.0}])
def test_rules_that_would_leave_holes_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(BadInput, match="pass over"):
        PassOver(**wrong)  # type: ignore[arg-type]
