"""Points of the racket that a person clicked, or that come from elsewhere: the file racket_points.csv.

In: the file beside session.toml, and what the frames of each camera are. Out: points at frames; where such
points foretell others to be, for the page on which they are clicked. Not here: filling in between them
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
from recon.racket_points.foretold import Foreteller, Line, Seen, epipolar_line, nearest_to_rays
from recon.racket_points.frames import CameraFrames, Filmed, Placed, placed
from recon.racket_points.wanted import LEAST_FRAMES, still_wanted, wanted_instants

__all__ = [
    "CLICK_SIGMA_PX",
    "COLUMNS",
    "FILE_NAME",
    "LEAST_FRAMES",
    "POINTS",
    "CameraFrames",
    "Filmed",
    "Foreteller",
    "Line",
    "Placed",
    "Row",
    "Seen",
    "epipolar_line",
    "nearest_to_rays",
    "placed",
    "read_racket_points",
    "still_wanted",
    "wanted_instants",
    "write_racket_points",
]
