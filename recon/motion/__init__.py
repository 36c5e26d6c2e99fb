"""One smooth motion, fitted straight to the pixels of all cameras at their own times."""

from recon.motion.between import Unbelieved, without_unbelieved
from recon.motion.fit import MotionOptions, MotionSupport, fit_motion
from recon.motion.holding import Held, hold_lengths
from recon.motion.lengths import Length
from recon.motion.planted import Planted, hold_planted
from recon.motion.racket import RacketOptions, RigidRacket, hold_racket
from recon.motion.racket_pose import racket_pose
from recon.motion.racket_shape import TAPES_INSIDE_M, TAPES_UNSURE_M, RacketShape
from recon.motion.roll import EdgedRacket, add_edges, without_edges
from recon.motion.stray import without_strays
from recon.motion.unheld import Unheld, without_unheld

__all__ = [
    "TAPES_INSIDE_M",
    "TAPES_UNSURE_M",
    "EdgedRacket",
    "Held",
    "Length",
    "MotionOptions",
    "MotionSupport",
    "Planted",
    "RacketOptions",
    "RacketShape",
    "RigidRacket",
    "Unbelieved",
    "Unheld",
    "add_edges",
    "fit_motion",
    "hold_lengths",
    "hold_planted",
    "hold_racket",
    "racket_pose",
    "without_edges",
    "without_strays",
    "without_unbelieved",
    "without_unheld",
]
