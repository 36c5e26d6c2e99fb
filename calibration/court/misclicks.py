"""Wrong clicks: each click is predicted without itself, and the one that contradicts all others is left out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.court.clicks import Click, want_each, want_enough
from calibration.court.fit import CourtFit, CourtProblem, fit_court, point_root_m, turning
from calibration.court.model import court_point
from calibration.geometry.camera import N_CAMERA

_MISCLICK_Z = 6.0  # a click this many of its own predicted standard deviations off is a wrong click, not noise


def leave_one_out(fit: CourtFit) -> Array:
    """(C, 2): miss in px and its largest component in predicted sigmas, each click predicted without itself.

    Without click i the normal matrix lacks its rows, N' = N - w Jᵀ J, and the click misses its prediction by
    (1 + w J N'⁻¹ Jᵀ) r; exact for a linear model. Cook RD, Weisberg S (1982), Residuals and influence in
    regression, section 2.2. Zero where the other clicks alone do not place the court.
    """
    n_clicks = len(fit.residuals_px)
    out = np.zeros((n_clicks, 2))
    for i in range(n_clicks):
        j, w = fit.jacobian[2 * i : 2 * i + 2], fit.weight[i]
        rest = fit.normal - w * j.T @ j
        d = 1 / np.sqrt(np.maximum(np.diag(rest), 1e-300))
        values, vectors = np.linalg.eigh(rest * np.outer(d, d))
        if values[0] < 1e-10 * values[-1]:
            continue
        unit = (j * d) @ vectors
        reach = (unit / values) @ unit.T
        miss = fit.residuals_px[i] + w * reach @ fit.residuals_px[i]
        sigma = fit.click_u_px * np.sqrt(1 + np.diag(reach))
        out[i] = np.linalg.norm(miss), np.abs(miss / sigma).max()
    return out


def against(problem: CourtProblem, click: Click, fit: CourtFit) -> tuple[float, float]:
    """How a click that took no part in the fit misses its prediction: px, and its largest component in
    sigmas."""
    i = [c.name for c in problem.cameras].index(click.camera)
    turned = fit.place.rotate(np.array(court_point(click.point).xyz_m))
    uv, by_point, by_camera = fit.cameras[i].project_all(turned + fit.place.t_m)
    jacobian = np.zeros((2, len(fit.covariance)))
    jacobian[:, N_CAMERA * i : N_CAMERA * (i + 1)] = by_camera
    if not problem.poses_free:
        jacobian[:, -6:-3] = by_point @ turning(turned)
        jacobian[:, -3:] = by_point
    u_px = problem.options.click_u_px
    point = by_point @ fit.place.R @ point_root_m([click.point], problem.options)[0]
    covariance = jacobian @ fit.covariance @ jacobian.T + point @ point.T + np.eye(2) * u_px**2
    miss = np.nan_to_num(click.uv_px - uv, nan=1e6)
    return float(np.linalg.norm(miss)), float(np.abs(miss / np.sqrt(np.diag(covariance))).max())


@dataclass(frozen=True, slots=True, eq=False)
class CleanFit:
    """A fit without the clicks that contradict all others.

    used      indices of the clicks in the fit
    left_out  (C, 2) per click: miss in px and in sigmas when the click takes no part
    """

    fit: CourtFit
    used: tuple[int, ...]
    left_out: Array

    def is_used(self) -> NDArray[np.bool_]:
        """(C,) False for a click that was left out."""
        return np.isin(np.arange(len(self.left_out)), self.used)


def fit_without_misclicks(problem: CourtProblem) -> CleanFit:
    """Fits again and again, each time without the click that is farthest beyond belief.

    Raises BadInput where so many are left out, or so few remain, that the rest cannot be trusted.
    """
    clicks = problem.clicks
    used = list(range(len(clicks)))
    left_out = np.zeros((len(clicks), 2))
    bad: list[int] = []
    while True:
        fit = fit_court(problem)
        left_out[used] = leave_one_out(fit)
        worst = max(used, key=lambda i: left_out[i, 1])
        if left_out[worst, 1] <= _MISCLICK_Z:
            break
        bad.append(worst)
        used.remove(worst)
        named = [f"{clicks[i].point} in {clicks[i].camera} ({left_out[i, 0]:.0f} px off)" for i in bad]
        kept = tuple(clicks[i] for i in used)
        want_enough(kept, named, len(clicks))
        if problem.poses_free:
            want_each(problem.cameras, kept, named)
        cameras = fit.cameras if problem.poses_free else problem.cameras
        bases = tuple(c.placed(f.cam_from_world) for c, f in zip(problem.cameras, cameras, strict=True))
        problem = replace(problem, clicks=kept, place=fit.place, cameras=bases)
    for i in bad:
        left_out[i] = against(problem, clicks[i], fit)
    return CleanFit(fit, tuple(used), left_out)
