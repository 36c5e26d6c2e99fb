"""What a study on rendered athletes found about the body detector's errors: data, and how they are read.

In: measured.json and view_errors.npz, written by `python -m benchmarks.keypoint_study`. Out: pixel sigmas,
noise shapes, where a detected point sits against its joint, and what the detector gets wrong in which posture.
Not here: how they are used (recon/keypoints, recon/joints). Start in study.py.
"""

from recon.detector_study.height import apparent_height_px
from recon.detector_study.study import (
    ADULT_M,
    USUAL_MODE,
    DetectorStudy,
    JointOffset,
    LeftError,
    PixelError,
    ViewStudy,
    load_study,
    read_study,
    study_of,
)
from recon.detector_study.view_errors import PARTS, POSTURE, Foretold, ViewErrors, kernel, mirrored

__all__ = [
    "ADULT_M",
    "PARTS",
    "POSTURE",
    "USUAL_MODE",
    "DetectorStudy",
    "Foretold",
    "JointOffset",
    "LeftError",
    "PixelError",
    "ViewErrors",
    "ViewStudy",
    "apparent_height_px",
    "kernel",
    "load_study",
    "mirrored",
    "read_study",
    "study_of",
]
