"""Each camera's clock, from the motion that all cameras saw."""

from recon.sync.clocks import SyncOptions, estimate_clocks
from recon.sync.joint import refine_clocks

__all__ = ["SyncOptions", "estimate_clocks", "refine_clocks"]
