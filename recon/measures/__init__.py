"""What a coach reads: pure functions of body and events, and their uncertainty."""

from recon.measures.catalogue import MEASURES, Athlete, Definition, Reading
from recon.measures.evaluate import MeasureOptions, measure

__all__ = ["MEASURES", "Athlete", "Definition", "MeasureOptions", "Reading", "measure"]
