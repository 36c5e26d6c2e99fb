"""How much larger than usual what is left of an error is in which posture, learned from what is left."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchmarks.keypoint_study.errors import Residuals
from calibration.checks import Array
from recon.detector_study import ViewErrors, kernel

_HELD = 10.0  # weight of the process's prior; on held-out athletes 3 and 30 were as good
_STEP = 2  # as in views
_CAP2 = 16.0  # gross errors are the gate's business
_ROUNDS = 8


def learn_doubt(
    errors: ViewErrors, rows: Sequence[Residuals], in_sigmas: Sequence[Array]
) -> tuple[Array, float]:
    """Weights (M,) over the postures shown, of the logarithm of what is left, and what is left where they add
    up to nothing.

    in_sigmas (T, 2) of each row: what is left, in sigmas as detected. Maximum likelihood of normal errors whose
    log variance is a Gaussian process and a constant, by Newton's steps.
    """
    K = np.concatenate([errors.near(r.posture[::_STEP]) for r in rows])
    square = np.concatenate([_square(z)[::_STEP] for z in in_sigmas])
    sound = np.isfinite(K).all(axis=1) & np.isfinite(square)
    K, square = K[sound], square[sound]
    own = kernel(errors.shown, errors.shown, errors.reach)
    prior = _HELD * own + 1e-6 * np.eye(len(own))
    w = np.zeros(K.shape[1])
    for _ in range(_ROUNDS):
        ratio = square * np.exp(-K @ w)
        ratio /= ratio.mean()
        curvature = K.T @ (K * np.clip(ratio, 0.1, 5.0)[:, None]) + prior
        w -= np.linalg.solve(curvature, K.T @ (1 - ratio) + _HELD * own @ w)
    return w / 2, float(np.sqrt(np.mean(square * np.exp(-K @ w))))


def larger(errors: ViewErrors, doubt: Array, row: Residuals) -> Array:
    """(T,) the factor that a doubt (M,) tells for a row's postures."""
    return np.asarray(np.exp(errors.near(row.posture) @ doubt))


def left_by_others(errors: ViewErrors, rows: Sequence[Residuals], in_sigmas: Sequence[Array]) -> list[Array]:
    """What is left (T,) in each row, in sigmas as detected, as the half of the athletes tells that its own is
    not in.
    """
    athletes = sorted({r.athlete for r in rows})
    half = {athlete: k % 2 for k, athlete in enumerate(athletes)}
    learned = []
    for part in (0, 1):
        others = [(r, z) for r, z in zip(rows, in_sigmas, strict=True) if half[r.athlete] != part]
        learned.append(learn_doubt(errors, *map(list, zip(*others, strict=True))))
    told = [learned[half[r.athlete]] for r in rows]
    return [level * larger(errors, doubt, r) for (doubt, level), r in zip(told, rows, strict=True)]


def _square(in_sigmas: Array) -> Array:
    return np.asarray(np.minimum((in_sigmas**2).mean(axis=1), _CAP2))
