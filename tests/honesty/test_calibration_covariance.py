"""Is the joint fit's covariance the scatter of its answers? Invented footage, known truth, 200 draws.

The corners come straight from the camera model, so this proves the solver's arithmetic, not that real boards,
lenses and paint obey the model.
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
from benchmarks.world import Arrangement, World, make_world
from calibration.bundle import BundleSolution
from calibration.checks import Array
from calibration.geometry import Rigid

DRAWS = 200
TWO = Arrangement(2, 8, 8)
THREE = Arrangement(3, 6, 9, bow_m=0.003, court_px=0.5, court_m=0.005)
"""Few views, so that two hundred draws take seconds; bow and court points make every kind of unknown."""


@dataclass(frozen=True)
class Draws:
    """Squared errors eᵀ C⁻¹ e (D,) of `unknowns` parameters each, every e / u (D, unknowns), and errors
    at the player in metres."""

    squared: Array
    unknowns: int
    z: Array
    seen_m: Array
    predicted_m: Array


@cache
def drawn(arrangement: Arrangement) -> Draws:
    """One recording per seed, solved from its corners alone."""
    squared, z, seen, predicted = [], [], [], []
    for seed in range(DRAWS):
        world = make_world(arrangement, seed)
        answer, solution = from_corners(world, bow=arrangement.bow_m != 0, court=bool(world.court), seed=seed)
        z2, each = in_sigmas(errors_of(world, solution), solution.joint)
        squared.append(z2)
        z.append(each)
        seen.append(rigid_error_m(world, answer.cameras))
        predicted.append(
            predicted_rigid_error_m(answer.cameras, solution.covariance, player_grid_in_rig_m(world))
        )
    return Draws(np.array(squared), len(z[0]), np.array(z), np.array(seen), np.array(predicted))


def in_sigmas(error: Array, joint: Array) -> tuple[float, Array]:
    """eᵀ C⁻¹ e and each e / u of what was solved for: not the held pose, the held k3, nor the paint."""
    live = np.flatnonzero(np.diag(joint)[: len(error)] > 1e-16)
    C = joint[np.ix_(live, live)]
    d = np.sqrt(np.diag(C))
    z = error[live] / d
    return float(z @ np.linalg.solve(C / np.outer(d, d), z)), z


def errors_of(world: World, solution: BundleSolution) -> Array:
    """Estimate minus truth of cameras, bow and the court's place, in the order of solution.layout."""
    half = np.ptp(world.points_m[:, :2], axis=0) / 2
    bow = world.arrangement.bow_m * half**2 / (half @ half)  # the bowl's share along columns and along rows
    parts = [parameter_errors(solution.cameras, world.cameras), solution.bow_m - bow]
    if solution.rig_from_court is not None:
        true = world.cameras[0].cam_from_world
        turn = Rigid(solution.rig_from_court.R @ true.R.T, np.zeros(3), "a", "b").rotvec_rad()
        parts += [turn, solution.rig_from_court.t_m - true.t_m]
    return np.concatenate(parts)


@pytest.mark.parametrize("arrangement", [TWO, THREE], ids=["two cameras", "three, bowed board, court"])
def test_squared_errors_lie_in_their_chi_square_band(arrangement: Arrangement) -> None:
    draws = drawn(arrangement)
    freedom = DRAWS * draws.unknowns
    assert draws.unknowns == (2 * 8 + 6 if arrangement is TWO else 3 * 8 + 2 * 6 + 2 + 6)
    low, high = chi2.ppf((0.005, 0.995), freedom) / freedom
    assert low < draws.squared.sum() / freedom < high
    # each draw by itself, too: the scatter over draws is chi-square's own, not a mixture of good and bad ones
    above = (draws.squared > chi2.ppf(0.95, draws.unknowns)).mean()
    assert above < 0.05 + 3 * np.sqrt(0.05 * 0.95 / DRAWS)


@pytest.mark.parametrize("arrangement", [TWO, THREE], ids=["two cameras", "three, bowed board, court"])
def test_no_single_parameter_is_off(arrangement: Arrangement) -> None:
    """A sum over all parameters can hide one that is too sure behind another that is not sure enough."""
    draws = drawn(arrangement)
    tail = 0.005 / draws.unknowns  # 99 % for all of them together (Bonferroni)
    low, high = chi2.ppf((tail, 1 - tail), DRAWS) / DRAWS
    each = (draws.z**2).mean(axis=0)
    assert low < each.min() and each.max() < high, each.round(2)
    assert np.abs(draws.z.mean(axis=0)).max() < 4.5 / np.sqrt(DRAWS)  # nor biased


@pytest.mark.parametrize("arrangement", [TWO, THREE], ids=["two cameras", "three, bowed board, court"])
def test_predicted_error_at_the_player_is_the_observed_one(arrangement: Arrangement) -> None:
    draws = drawn(arrangement)
    ratio = np.sqrt((draws.predicted_m**2).mean() / (draws.seen_m**2).mean())
    assert 0.8 < ratio < 1.2
