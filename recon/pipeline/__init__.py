"""Joins the stages: the only code that calls more than one of them."""

from recon.pipeline.options import PipelineOptions
from recon.pipeline.racket_route import filmed_cameras
from recon.pipeline.run import measure_kept_tracks, measure_session
from recon.pipeline.serves import CutServe, cut_serves

__all__ = [
    "CutServe",
    "PipelineOptions",
    "cut_serves",
    "filmed_cameras",
    "measure_kept_tracks",
    "measure_session",
]
