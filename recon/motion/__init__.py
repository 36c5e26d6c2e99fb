"""One smooth motion, fitted straight to the pixels of all cameras at their own times."""

from recon.motion.between import Unbelieved, without_unbelieved
from recon.motion.fit import MotionOptions, MotionSupport, fit_motion
from recon.motion.holding import Held, hold_lengths
from recon.motion.lengths import Length
from recon.motion.planted import Planted, hold_planted
from recon.motion.stray import without_strays

__all__ = [
    "Held",
    "Length",
    "MotionOptions",
    "MotionSupport",
    "Planted",
    "Unbelieved",
    "fit_motion",
    "hold_lengths",
    "hold_planted",
    "without_strays",
    "without_unbelieved",
]
