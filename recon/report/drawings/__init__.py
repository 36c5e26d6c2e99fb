"""A small drawing of what each measure measures, made from the actual motion at the actual instant.

pose: the player's points; views: from where it is seen; marks: an angle, a distance; then the kinds of
drawings, and the catalogue that says which measure has which.
"""

from recon.report.drawings.catalogue import DRAWINGS, draw, drawing_of

__all__ = ["DRAWINGS", "draw", "drawing_of"]
