"""One smooth motion, fitted straight to the pixels of all cameras at their own times."""

from recon.motion.fit import MotionOptions, MotionSupport, fit_motion
from recon.motion.smoother import SmootherOptions

__all__ = ["MotionOptions", "MotionSupport", "SmootherOptions", "fit_motion"]
