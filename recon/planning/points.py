"""How the planned rig's errors move each point: the linear response to pixels, calibration and clocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry.camera import N_CAMERA
from recon.planning.views import PlannedView

BRIDGE_S = 0.10
"""The longest stretch without two views that the motion fit crosses (recon.motion)."""
CORRELATION_S = 0.13
"""1/e time of the pixel errors that a plan assumes, smooth in time: 110-150 ms measured on rendered players."""
_DOUBLED_S = 0.02  # a carried sample's pixel error is taken to have doubled this far from a measured one


@dataclass(frozen=True, slots=True, eq=False)
class PointErrors:
    """First-order response of every point, T samples, P points, C cameras.

    by_noise    (T, P, C, 3, 2) metres per standard deviation of a camera's pixel error, each axis
    by_camera   (T, P, 3, 18 C) metres per unit of the cameras' PARAMETERS
    by_clock    (T, P, C, 3) metres per second by which a camera's clock is off
    told        (T, P) two cameras tell the point here, or near enough in time to carry it over
    """

    by_noise: Array
    by_camera: Array
    by_clock: Array
    told: NDArray[np.bool_]

    def covariance_m2(self, calibration: Array) -> Array:
        """(T, P, 3, 3) of single points from pixels and calibration; NaN where nothing is told."""
        noise = np.einsum("tpcia,tpcja->tpij", self.by_noise, self.by_noise)
        cov = noise + self.by_camera @ calibration @ self.by_camera.swapaxes(-1, -2)
        return np.asarray(np.where(self.told[..., None, None], cov, np.nan))


def point_errors(
    views: Sequence[PlannedView], t_s: Array, velocity_m_s: Array, *, bare: bool = False
) -> PointErrors:
    """Weighted least squares over the views, as triangulation does it, differentiated.

    bare: as if nothing hid anything. Where fewer than two cameras tell a point, the nearest sample in time that
    is told stands in, its pixel error growing with the time between, up to BRIDGE_S.
    """
    sigma = np.stack([v.bare_sigma_px if bare else v.sigma_px for v in views], axis=2)
    seen = np.isfinite(sigma)
    weight = np.where(seen, 1 / np.where(seen, sigma, 1.0) ** 2, 0.0)
    by_point = np.where(seen[..., None, None], np.stack([v.by_point for v in views], axis=2), 0.0)
    normal = np.einsum("tpc,tpcki,tpckj->tpij", weight, by_point, by_point)
    carried = seen.sum(axis=2) >= 2
    inverse = np.zeros_like(normal)
    inverse[carried] = np.linalg.inv(normal[carried])
    gain = np.einsum("tpij,tpc,tpckj->tpcik", inverse, weight, by_point)
    by_camera = np.zeros((*carried.shape, 3, N_CAMERA * len(views)))
    for c, view in enumerate(views):
        own = np.where(seen[:, :, c, None, None], view.by_camera, 0.0)
        by_camera[..., N_CAMERA * c : N_CAMERA * (c + 1)] = gain[:, :, c] @ own
    by_noise = gain * np.where(seen, sigma, 0.0)[..., None, None]
    rate = np.einsum("tpckj,tpj->tpck", by_point, velocity_m_s)
    by_clock = np.einsum("tpcik,tpck->tpci", gain, rate)
    return _bridged(PointErrors(by_noise, by_camera, by_clock, carried), t_s)


def _bridged(errors: PointErrors, t_s: Array) -> PointErrors:
    noise, camera, clock = errors.by_noise.copy(), errors.by_camera.copy(), errors.by_clock.copy()
    told = errors.told.copy()
    for p in range(told.shape[1]):
        have, lack = np.flatnonzero(errors.told[:, p]), np.flatnonzero(~errors.told[:, p])
        if not len(have) or not len(lack):
            continue
        away = np.abs(t_s[lack, None] - t_s[have])
        nearest, gap = have[away.argmin(axis=1)], away.min(axis=1)
        near = gap <= BRIDGE_S
        here, source = lack[near], nearest[near]
        grown = np.sqrt(1 + 3 * (gap[near] / _DOUBLED_S) ** 2)
        noise[here, p] = noise[source, p] * grown[:, None, None, None]
        camera[here, p], clock[here, p], told[here, p] = camera[source, p], clock[source, p], True
    return PointErrors(noise, camera, clock, told)
