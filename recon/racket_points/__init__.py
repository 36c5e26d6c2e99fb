"""Points of the racket that a person clicked, or that come from elsewhere: the file racket_points.csv.

In: the file beside session.toml, and what the frames of each camera are. Out: points at frames; where such points
foretell others to be, for the page on which they are clicked. Not here: filling in between them
(recon/keypoints/fill.py), joining them to what was detected (recon/pipeline/racket_route.py).
"""

from recon.racket_points.file import (
    CLICK_SIGMA_PX,
    COLUMNS,
    FILE_NAME,
    POINTS,
    Row,
    read_racket_points,
    write_racket_points,
)
from recon.racket_points.frames import CameraFrames, Placed, placed

__all__ = [
    "CLICK_SIGMA_PX",
    "COLUMNS",
    "FILE_NAME",
    "POINTS",
    "CameraFrames",
    "Placed",
    "Row",
    "placed",
    "read_racket_points",
    "write_racket_points",
]
