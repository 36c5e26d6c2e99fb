"""Each camera's clock: from the motion that all cameras saw, and from other signs of one instant."""

from recon.sync.clips import Clip, ClipMatchOptions, ClipOffset, Contradiction, match_clips
from recon.sync.clocks import SyncOptions, estimate_clocks
from recon.sync.explain import standing_alone, why_apart
from recon.sync.instants import SameInstant, SourceJudged, combine
from recon.sync.joint import refine_clocks
from recon.sync.shutter import shutter_not_told, with_shutters
from recon.sync.takes import PairSpread, TakeOptions, spreads, take_flags

__all__ = [
    "Clip",
    "ClipMatchOptions",
    "ClipOffset",
    "Contradiction",
    "PairSpread",
    "SameInstant",
    "SourceJudged",
    "SyncOptions",
    "TakeOptions",
    "combine",
    "estimate_clocks",
    "match_clips",
    "refine_clocks",
    "shutter_not_told",
    "spreads",
    "standing_alone",
    "take_flags",
    "why_apart",
    "with_shutters",
]
