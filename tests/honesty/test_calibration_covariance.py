"""Is the joint fit's covariance the scatter of its answers? Invented footage, known truth, 200 draws of the noise.

The corners come straight from the camera model, so this proves the solver's arithmetic, not that real boards, lenses
and paint obey the model.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from scipy.stats import chi2

from benchmarks.judge import (
    parameter_errors,
    player_grid_in_rig_m,
    predicted_rigid_error_m,
    rigid_error_m,
)
from benchmarks.ours import from_corners
from benchmarks.world import COURT_XYZ_M, Arrangement, World, make_world
from calibration.bundle import BundleSolution
from calibration.checks import Array
from calibration.geometry import Rigid

DRAWS = 200
TWO = Arrangement(2, 8, 8)
THREE = Arrangement(3, 6, 9, bow_m=0.003, court_px=0.5, court_m=0.005)
"""Few views, so that two hundred draws take seconds; a bowed board and court points make every kind of unknown."""


@dataclass(frozen=True)
class Draws:
    """Squared errors eᵀ C⁻¹ e (D,) of `unknowns` parameters each, and errors at the player in metres."""

    squared: Array
    unknowns: int
    seen_m: Array
    predicted_m: Array


@cache
def drawn(arrangement: Arrangement) -> Draws:
    squared, seen, predicted = [], [], []
    live = np.zeros(0)
    for seed in range(DRAWS):
        world = make_world(arrangement, seed)
        answer, solution = from_corners(world, bow=arrangement.bow_m != 0, court=bool(world.court), seed=seed)
        error, covariance = errors_of(world, solution), solution.joint[: len(error_names(solution))]
        live = np.flatnonzero(np.diag(covariance[:, : len(error)]) > 1e-16)  # not the held pose, nor the held k3
        C = covariance[np.ix_(live, live)]
        d = np.sqrt(np.diag(C))
        squared.append(error[live] / d @ np.linalg.solve(C / np.outer(d, d), error[live] / d))
        seen.append(rigid_error_m(world, answer.cameras))
        predicted.append(
            predicted_rigid_error_m(answer.cameras, solution.covariance, player_grid_in_rig_m(world))
        )
    return Draws(np.array(squared), len(live), np.array(seen), np.array(predicted))
