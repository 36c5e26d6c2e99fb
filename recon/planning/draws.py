"""Seeded draws of the keypoints' errors, for measures that pick the sample where something is largest."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from scipy.linalg import cholesky

from calibration.checks import Array
from recon.planning.headline import PlannedMeasure
from recon.planning.points import CORRELATION_S, PointErrors
from recon.planning.serve import InventedServe

DRAWS = 1600
"""They give a standard uncertainty to 2 % where the spread is Gaussian, and to 5 % where one draw in fifteen
jumps, as the top of a flat curve does."""
_SEED = 20267


class PixelDraws:
    """Smooth noise of unit size per draw, sample, point and camera, drawn once and used for every rig."""

    def __init__(self, serve: InventedServe, points: Iterable[int]) -> None:
        self._serve = serve
        self._points = np.array(sorted(points), dtype=np.intp)
        self._rng = np.random.default_rng(_SEED)
        t = serve.body.t_s
        together = np.exp(-(((t[:, None] - t) / CORRELATION_S) ** 2)) + 1e-6 * np.eye(len(t))
        self._root = cholesky(together, lower=True)
        self._noise: list[Array] = []

    def u(self, row: PlannedMeasure, value: float, errors: PointErrors) -> float:
        """Root mean square of the drawn values about the true one: their shift counts with their spread.

        NaN where the measure could be taken in less than half of the draws.
        """
        body = self._serve.body
        moved = np.zeros((DRAWS, len(body.t_s), len(self._points), 3))
        for c in range(errors.by_noise.shape[2]):
            moved += np.einsum("tpia,ktpa->ktpi", errors.by_noise[:, self._points, c], self._camera_noise(c))
        moved[:, ~errors.told[:, self._points]] = np.nan
        values = np.empty(DRAWS)
        for k in range(DRAWS):
            xyz = body.xyz_m.copy()
            xyz[:, self._points] += moved[k]
            values[k] = row.value(replace(body, xyz_m=xyz), self._serve.events)
        known = values[np.isfinite(values)]
        return float(np.sqrt(np.mean((known - value) ** 2))) if len(known) > DRAWS / 2 else np.nan

    def _camera_noise(self, c: int) -> Array:
        """(K, T, P, 2) of the c-th camera: the same for every rig."""
        samples = len(self._serve.body.t_s)
        while len(self._noise) <= c:
            white = self._rng.standard_normal((samples, DRAWS * len(self._points) * 2))
            smooth = (self._root @ white).reshape(samples, DRAWS, len(self._points), 2)
            self._noise.append(smooth.swapaxes(0, 1))
        return self._noise[c]
