"""Makes a slow fixed-point iteration of positive numbers fast."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array


class Leaps:
    """Expectation maximisation takes ever smaller steps; every second one is carried on as two steps foretell.

    Source: Varadhan R, Roland C (2008), Simple and globally convergent methods for accelerating the convergence
    of any EM algorithm, Scand J Statist 35:335-353 (its third step length; from memory).
    """

    _FARTHEST = 8.0

    def __init__(self) -> None:
        self._first: Array | None = None
        self._start: Array | None = None

    def step(self, q: Array, mapped: Array) -> Array:
        """The next intensities after q was mapped."""
        before, after = np.log(q), np.log(mapped)
        if self._first is None or self._start is None:
            self._start, self._first = before, after - before
            return mapped
        second = after - before
        bend = second - self._first
        size = float(np.linalg.norm(self._first)) / max(float(np.linalg.norm(bend)), 1e-12)
        alpha = min(max(size, 1.0), self._FARTHEST)
        out = self._start + 2 * alpha * self._first + alpha**2 * bend
        self._start = self._first = None
        return np.asarray(np.exp(np.clip(out, after - 2.0, after + 2.0)))
