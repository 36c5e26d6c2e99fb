"""The ball: found over all cameras, its toss and its strike fitted to the pixels, and when it left the hand."""

from recon.flight.checks import ball_checks
from recon.flight.kinds import BALL_KINDS, USUAL_KIND, BallKind
from recon.flight.points import fit_flight, slowed_fall
from recon.flight.release import HandPath
from recon.flight.search import SearchOptions
from recon.flight.sightings import Sightings, sightings_of
from recon.flight.whole import BallPath, FoundBall, find_ball, fit_ball

__all__ = [
    "BALL_KINDS",
    "USUAL_KIND",
    "BallKind",
    "BallPath",
    "FoundBall",
    "HandPath",
    "SearchOptions",
    "Sightings",
    "ball_checks",
    "find_ball",
    "fit_ball",
    "fit_flight",
    "sightings_of",
    "slowed_fall",
]
