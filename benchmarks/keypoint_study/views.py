"""From errors to the study's view errors: what the detector gets wrong in which posture, seen from where."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from benchmarks.keypoint_study.errors import Residuals, of_part
from calibration.checks import Array
from recon.detector_study import PARTS, ViewErrors, kernel

POSTURES = 400
"""How many stand for all: with 200 the errors of athletes left out were 2 % larger, with 800 1 % smaller."""
_REACH = (
    0.7  # times the root of how many numbers make a posture; 0.5 and 1.0 did no better on athletes left out
)
_NOISE = 0.3  # variance of an error's unforeseeable part, in the process's own; 0.1 and 1 did no better
_STEP = 2  # pictures between those learned from: the next one shows nearly the same
_USUAL = 0.018  # of the height: an error of 3 cm weighs half, so that gross errors are not learned
_ROUNDS = 4


def fit_views(residuals: Sequence[Residuals], means: Mapping[str, Array], seed: int = 4) -> ViewErrors:
    """Robust Gaussian process over postures; means: part -> (6,) the common offset, already accounted for.

    Left points are learned as right ones of the mirrored body. Doubt is even: what is left is not known yet.
    """
    learned = {part: _samples(residuals, means[part], part) for part in PARTS}
    everything = np.concatenate([x for x, _ in learned.values()])
    middle, width = everything.mean(axis=0), everything.std(axis=0)
    pick = np.random.default_rng(seed).permutation(len(everything))[:POSTURES]
    shown = (everything[pick] - middle) / width
    reach = _REACH * float(np.sqrt(shown.shape[1]))
    own = kernel(shown, shown, reach)
    weights = np.stack(
        [_weights(kernel((x - middle) / width, shown, reach), y, own) for x, y in learned.values()], axis=1
    )
    return ViewErrors(middle, width, shown, reach, weights, np.zeros(weights.shape[:2]))


def _samples(residuals: Sequence[Residuals], mean: Array, part: str) -> tuple[Array, Array]:
    """Postures (N, 51) and errors (N, 2) of a part, as of the right side."""
    postures, errors = [], []
    for r in of_part(residuals, part):
        error = (r.uv - r.by_offset @ mean) * [-1.0 if r.mirrored else 1.0, 1.0]
        known = np.isfinite(error).all(axis=1) & np.isfinite(r.posture).all(axis=1)
        postures.append(r.posture[known][::_STEP])
        errors.append(error[known][::_STEP])
    return np.concatenate(postures), np.concatenate(errors)


def _weights(K: Array, errors: Array, own: Array) -> Array:
    """(M, 2) by ridge regression in the process's own metric, gross errors weighing little."""
    weight = np.ones(len(K))
    for _ in range(_ROUNDS):
        normal = K.T @ (K * weight[:, None]) + _NOISE * own + 1e-6 * np.eye(len(own))
        found = np.linalg.solve(normal, K.T @ (errors * weight[:, None]))
        weight = 1 / (1 + (np.linalg.norm(errors - K @ found, axis=1) / _USUAL) ** 2)
    return np.asarray(found)
