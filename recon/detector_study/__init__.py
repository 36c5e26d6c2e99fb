"""What a study on rendered athletes found about the body detector's errors: data, and how they are read.

In: measured.json, written by `python -m benchmarks.keypoint_study`. Out: pixel sigmas, noise shapes, and where
a detected point sits against its joint. Not here: how they are used (recon/keypoints, recon/joints). Start in
study.py.
"""

from recon.detector_study.study import (
    ADULT_M,
    PARTS,
    USUAL_MODE,
    DetectorStudy,
    JointOffset,
    PixelError,
    load_study,
    read_study,
    study_of,
)

__all__ = [
    "ADULT_M",
    "PARTS",
    "USUAL_MODE",
    "DetectorStudy",
    "JointOffset",
    "PixelError",
    "load_study",
    "read_study",
    "study_of",
]
