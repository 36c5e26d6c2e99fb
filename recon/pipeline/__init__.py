"""Joins the stages: the only code that calls more than one of them."""

from recon.pipeline.options import PipelineOptions
from recon.pipeline.run import measure_session

__all__ = ["PipelineOptions", "measure_session"]
