"""From detected points to joint centres.

In: tracks and a first motion of detected body points, and what the detector study found. Out: the tracks
without what the detector gets wrong in such postures, the motion of the joints, and draws of what is left. Not
here: the study itself (recon/detector_study), the segments' frames (recon/segments.py). Start in views.py and
correct.py.
"""

from recon.joints.correct import JointCentres, to_joint_centres
from recon.joints.postures import postures
from recon.joints.views import TakenOut, sized_by_posture, without_view_errors

__all__ = [
    "JointCentres",
    "TakenOut",
    "postures",
    "sized_by_posture",
    "to_joint_centres",
    "without_view_errors",
]
