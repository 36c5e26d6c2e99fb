"""The smoother of one point, used for the motion and for the clocks."""

from recon.smoothing.events import PointEvents, events_of, rough_curve
from recon.smoothing.posterior import PointPosterior
from recon.smoothing.smoother import SmootherOptions, delays_by_point, smooth_point

__all__ = [
    "PointEvents",
    "PointPosterior",
    "SmootherOptions",
    "delays_by_point",
    "events_of",
    "rough_curve",
    "smooth_point",
]
