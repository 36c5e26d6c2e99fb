"""Per-frame points as they are, where no curve through the pixels can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.records import Points3D, PointStatus
from recon.smoothing.events import PointEvents

_LINGERS_S = 0.1  # errors of detected points: 110-150 ms measured on rendered players


@dataclass(frozen=True, slots=True, eq=False)
class SinglePoints:
    """Stands where a posterior would: points joined by straight lines, covariance (T, 6, 6) of single instants.

    Velocities are differences of neighbours and as uncertain as such.
    """

    xyz_m: Array
    velocity_m_s: Array
    covariance: Array
    events: PointEvents
    used: NDArray[np.bool_]

    @classmethod
    def of(cls, points: Points3D, p: int, events: PointEvents) -> Self:
        """From one keypoint's column, which holds two points at least."""
        t = points.t_s
        ok = np.flatnonzero(points.status[:, p] == PointStatus.OK)
        xyz = np.stack([np.interp(t, t[ok], points.xyz_m[ok, p, d]) for d in range(3)], axis=1)
        nearest = ok[np.abs(t[ok][None] - t[:, None]).argmin(axis=1)]
        cov = np.zeros((len(t), 6, 6))
        cov[:, :3, :3] = points.cov_m2[nearest, p]
        cov[:, 3:, 3:] = cov[:, :3, :3] / (2 * float(np.median(np.diff(t))) ** 2)
        seen = points.views[events.grid, p, np.maximum(events.camera, 0)] & (events.camera >= 0)
        return cls(xyz, np.gradient(xyz, t, axis=0), cov, events, seen)

    def draws(self, count: int, seed: int | Sequence[int]) -> Array:
        """(count, T, 3) draws of the position's error, lingering as detectors' errors do."""
        t = self.events.t_s[self.events.wanted]
        rng = np.random.default_rng(seed)
        keeps = np.exp(-np.diff(t) / _LINGERS_S)
        unit = rng.standard_normal((len(t), count, 3))
        for k, phi in enumerate(keeps, start=1):
            unit[k] = phi * unit[k - 1] + np.sqrt(1 - phi**2) * unit[k]
        roots = np.linalg.cholesky(self.covariance[:, :3, :3])
        return np.asarray(np.einsum("tij,tkj->kti", roots, unit))
