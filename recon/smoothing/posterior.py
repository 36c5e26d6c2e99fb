"""What the smoother works on and what it leaves: error sizes, the passes' arrays, one point's posterior."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calibration.checks import Array
from recon.smoothing.draws_kernel import errors_drawn
from recon.smoothing.events import PointEvents
from recon.smoothing.kernel import KINEMATIC

START_SD = np.repeat([1.0, 10.0, 300.0], 3)  # m, m/s, m/s²: far beyond what a body does before a serve


@dataclass(slots=True, eq=False)
class ErrorSizes:
    """Sizes of the errors of every event, in pixels, and where they stand in the state."""

    white: Array
    by_slow: Array
    by_bias: Array
    slow_s: float
    slow: int
    bias: int
    late: int
    n: int


@dataclass(slots=True, eq=False)
class Passes:
    """What one pass forwards and backwards gives; see `kernel`."""

    xp: Array
    Pp: Array
    K: Array
    Si: Array
    v: Array
    means: Array
    covariances: Array
    apart: Array
    sure: Array
    stirred: Array


@dataclass(frozen=True, slots=True, eq=False)
class PointPosterior:
    """The motion of one point.

    xyz_m, velocity_m_s (G, 3) and covariance (G, 6, 6) of both together, pixels alone, at the wanted instants;
    used (E,) which events count; whatever else `draws` needs: _by_q (G, 3) how far the curve moves with a
    standard deviation of its smoothness, which differs from stretch to stretch of _frames.
    """

    xyz_m: Array
    velocity_m_s: Array
    covariance: Array
    events: PointEvents
    used: NDArray[np.bool_]
    _J: Array
    _q: Array
    _model: ErrorSizes
    _K: Array
    _Si: Array
    _Pp_grid: Array
    _by_q: Array
    _frames: float

    def draws(self, count: int, seed: int | Sequence[int]) -> Array:
        """(count, G, 3) draws of the position's error, jointly over time."""
        e, m = self.events, self._model
        out = np.empty((count, len(self.xyz_m), 3))
        rng = np.random.default_rng(seed)
        start = np.concatenate([START_SD, np.ones(m.n - KINEMATIC)])
        errors_drawn(
            e.t_s, e.camera, self.used, self._J, m.white, m.by_slow, m.by_bias, np.zeros((len(e.t_s), 2)),
            self._q, m.slow_s, m.slow, m.bias, m.late, start, np.where(e.wanted, e.grid, -1), self._Pp_grid,
            self._K, self._Si, rng, out,
        )  # fmt: skip
        freer = rng.standard_normal((count, len(self.xyz_m)))
        freer = gaussian_filter1d(freer, self._frames, axis=1, mode="wrap")
        freer *= np.sqrt(2 * np.sqrt(np.pi) * self._frames)  # of variance 1 again
        return out + freer[:, :, None] * self._by_q
