"""What a coach reads: pure functions of body, events and ball, and their uncertainty."""

from recon.measures.catalogue import MEASURES, Athlete, Entry, Reading, Serve
from recon.measures.evaluate import MeasureOptions, Taken, measure

__all__ = ["MEASURES", "Athlete", "Entry", "MeasureOptions", "Reading", "Serve", "Taken", "measure"]
