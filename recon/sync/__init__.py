"""Each camera's clock: from the motion that all cameras saw, and from other signs of one instant."""

from recon.sync.clocks import SyncOptions, estimate_clocks
from recon.sync.instants import SameInstant, SourceJudged, combine
from recon.sync.joint import refine_clocks
from recon.sync.shutter import shutter_not_told, with_shutters

__all__ = [
    "SameInstant",
    "SourceJudged",
    "SyncOptions",
    "combine",
    "estimate_clocks",
    "refine_clocks",
    "shutter_not_told",
    "with_shutters",
]
