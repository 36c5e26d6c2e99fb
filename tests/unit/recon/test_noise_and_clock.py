"""The make-up of a point's error, and frame times on a rolling shutter and a drifting clock."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.errors import BadInput
from recon.records import DETECTED, WHITE, Clock, NoiseShape, usual_noise


def test_shares_that_do_not_add_up_are_refused() -> None:
    with pytest.raises(BadInput, match="add up to 1"):
        NoiseShape(white=0.5, slow=0.2, bias=0.2)


def test_tape_is_white_and_a_detected_joint_is_not() -> None:
    assert usual_noise("racket_tip") == usual_noise("ball") == WHITE
    assert usual_noise("left_knee") == DETECTED


def test_rig_time_by_hand() -> None:
    # 10 s on the camera's clock, which starts 2 s late and loses 1 ms a second: 12.010 s
    clock = Clock("a", 2.0, 0.0, drift=1e-3, readout_s=0.008)
    assert clock.rig_time(np.array([10.0])) == pytest.approx([12.010])
    # 720 rows in 8 ms: the middle of the first row is half a readout early, less half a row
    rows = np.array([[0.0, 359.5, 719.0]])
    early = 0.008 * (0.5 / 720 - 0.5)
    assert clock.rig_time(np.array([10.0]), rows, 720) == pytest.approx(
        np.array([[12.010 + early, 12.010, 12.010 - early]])
    )


def test_a_global_shutter_has_one_time_for_all_rows() -> None:
    rows = np.full((2, 3), np.nan)
    assert (Clock("a", 1.0, 0.0).rig_time(np.array([0.0, 1.0]), rows, 720) == [[1.0] * 3, [2.0] * 3]).all()
