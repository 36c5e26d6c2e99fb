"""The joint fit behind lens, rig and court: one least-squares problem, one covariance."""

from calibration.bundle.problem import (
    BoardSeen,
    BundleProblem,
    BundleSolution,
    CourtPoints,
    KnownLengths,
    Layout,
    LensPrior,
    PointSeen,
    bent_points,
    moved,
    nudged,
)
from calibration.bundle.solve import SolveOptions, solve_bundle

__all__ = [
    "BoardSeen",
    "BundleProblem",
    "BundleSolution",
    "CourtPoints",
    "KnownLengths",
    "Layout",
    "LensPrior",
    "PointSeen",
    "SolveOptions",
    "bent_points",
    "moved",
    "nudged",
    "solve_bundle",
]
