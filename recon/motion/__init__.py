"""One smooth motion, fitted straight to the pixels of all cameras at their own times."""

from recon.motion.fit import MotionOptions, MotionSupport, fit_motion

__all__ = ["MotionOptions", "MotionSupport", "fit_motion"]
