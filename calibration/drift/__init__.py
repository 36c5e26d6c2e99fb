"""Is the rig still where it was? Compares new pictures with those kept at calibration, and mends what moved."""

from calibration.drift.check import CameraCheck, DriftOptions, Evidence, check_camera
from calibration.drift.mend import mended_rig
from calibration.drift.picture import displacement_picture
from calibration.drift.steps import RigCheck, check_rig, mend_rig, reference_pictures, still_picture

__all__ = [
    "CameraCheck",
    "DriftOptions",
    "Evidence",
    "RigCheck",
    "check_camera",
    "check_rig",
    "displacement_picture",
    "mend_rig",
    "mended_rig",
    "reference_pictures",
    "still_picture",
]
