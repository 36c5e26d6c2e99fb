"""From detected points to joint centres.

In: a motion of detected body points and what the detector study found. Out: the motion of the joints, and draws
of what the correction leaves. Not here: the study itself (recon/detector_study), the segments' frames
(recon/segments.py). Start in correct.py.
"""

from recon.joints.correct import JointCentres, to_joint_centres

__all__ = ["JointCentres", "to_joint_centres"]
