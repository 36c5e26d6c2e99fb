"""Each camera's clock, from the motion that all cameras saw."""

from recon.sync.clips import Clip, ClipMatchOptions, ClipOffset, match_clips
from recon.sync.clocks import SyncOptions, estimate_clocks
from recon.sync.explain import why_apart
from recon.sync.joint import refine_clocks
from recon.sync.takes import PairSpread, TakeOptions, spreads, take_flags

__all__ = [
    "Clip",
    "ClipMatchOptions",
    "ClipOffset",
    "PairSpread",
    "SyncOptions",
    "TakeOptions",
    "estimate_clocks",
    "match_clips",
    "refine_clocks",
    "spreads",
    "take_flags",
    "why_apart",
]
