"""Each camera's clock, from the motion that all cameras saw."""

from recon.sync.clips import Clip, ClipMatchOptions, ClipOffset, match_clips
from recon.sync.clocks import SyncOptions, estimate_clocks
from recon.sync.joint import refine_clocks

__all__ = [
    "Clip",
    "ClipMatchOptions",
    "ClipOffset",
    "SyncOptions",
    "estimate_clocks",
    "match_clips",
    "refine_clocks",
]
