"""The calibrated rig file of the invented example."""

from __future__ import annotations

from pathlib import Path

import calibration
from calibration.geometry import Camera


def save_example_rig(folder: Path, cameras: tuple[Camera, ...]) -> None:
    """Write folder/derived/calibrated_rig.json. Until calibration can save a rig, nothing is written."""
    if not hasattr(calibration, "CalibratedRig"):
        return
    raise NotImplementedError("waiting for calibration.CalibratedRig")
