"""The nouns of a reconstruction: frozen records, checked once at birth, no algorithms."""

from recon.records.ball import BALL_PARAMETERS, BALL_SOURCES, BallFlight
from recon.records.candidates import BallCandidates
from recon.records.checks import Check
from recon.records.clocks import ASSUMED, NOT_TOLD, SIDES, Clock, Clocks, Shutter
from recon.records.events import EVENT_NAMES, Event, Events
from recon.records.keypoints import BODY, BONES, EDGES, KEYPOINTS, RACKET, SOUGHT, other_side, side_names
from recon.records.measures import UNITS, Measure, MeasureSet
from recon.records.motion import Motion, Points3D, PointStatus
from recon.records.noise import DETECTED, WHITE, NoiseShape, usual_noise
from recon.records.racket import RacketPose
from recon.records.tracks import CameraTracks, Tracks2D

__all__ = [
    "ASSUMED",
    "BALL_PARAMETERS",
    "BALL_SOURCES",
    "BODY",
    "BONES",
    "DETECTED",
    "EDGES",
    "EVENT_NAMES",
    "KEYPOINTS",
    "NOT_TOLD",
    "RACKET",
    "SIDES",
    "SOUGHT",
    "UNITS",
    "WHITE",
    "BallCandidates",
    "BallFlight",
    "CameraTracks",
    "Check",
    "Clock",
    "Clocks",
    "Event",
    "Events",
    "Measure",
    "MeasureSet",
    "Motion",
    "NoiseShape",
    "PointStatus",
    "Points3D",
    "RacketPose",
    "Shutter",
    "Tracks2D",
    "other_side",
    "side_names",
    "usual_noise",
]
