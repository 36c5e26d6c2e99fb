"""Is the rig still where it was? Compares new pictures with those kept at calibration, and mends what moved."""

from calibration.drift.check import CameraCheck, DriftOptions, Evidence, check_camera

__all__ = ["CameraCheck", "DriftOptions", "Evidence", "check_camera"]
