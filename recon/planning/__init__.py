"""A rig on paper: what it will tell of a serve, before anyone climbs a ladder.

Calls the stages' own definitions (keypoint errors, instants, measures), so that a plan and a measured serve
mean the same by a word.
"""

from recon.planning.description import Plan, PlannedCamera, load_plan
from recon.planning.forecast import Forecast, Planner
from recon.planning.search import Move, Suggestion, suggest

__all__ = ["Forecast", "Move", "Plan", "PlannedCamera", "Planner", "Suggestion", "load_plan", "suggest"]
