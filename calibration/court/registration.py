"""The rig's place in the court, from named court points clicked in the cameras' pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.calibrated_rig import CalibratedRig, ClickResidual, CourtCheck
from calibration.checks import Array
from calibration.court.clicks import Click, check_clicks, first_placement, meet
from calibration.court.fit import CourtOptions, CourtProblem, root_of
from calibration.court.misclicks import CleanFit, fit_without_misclicks
from calibration.court.model import SERVE_VOLUME, court_point
from calibration.court.placement import in_court
from calibration.court.uncertainty import baseline_u_m, worst_u_over_volume
from calibration.errors import BadInput
from calibration.geometry.camera import Camera
from calibration.geometry.similarity import fit_similarity

__all__ = ["CourtOptions", "court_check", "register_court"]


def register_court(
    rig: CalibratedRig, clicks: Sequence[Click], options: CourtOptions | None = None
) -> CalibratedRig:
    """The rig in the court frame.

    Maximum likelihood over the clicks, the rig's place, the cameras (their rig covariance is the prior) and the
    paint's errors, so that the covariance of the result holds all of them. A click that contradicts all others
    is left out and named in the flags.
    Raises BadInput where the clicks are too few, lie on one line, name unknown cameras, or contradict each
    other.
    """
    options = options or CourtOptions()
    if rig.frame != "rig":
        raise BadInput(f"rig {rig.name}: want a rig in its own frame, got one in {rig.frame!r}")
    check_clicks(rig, clicks)
    start = first_placement(rig, clicks)
    problem = CourtProblem(rig.cameras, root_of(rig.covariance), tuple(clicks), options, False, start)
    clean = fit_without_misclicks(problem)
    cameras, covariance = in_court(clean.fit.cameras, clean.fit.place, clean.fit.covariance)
    scale = _free_scale(rig, [clicks[i] for i in clean.used], options)
    check, flags = court_check(cameras, covariance, clicks, clean, scale)
    if scale is not None and abs(scale[0] - 1) > 4 * scale[1]:
        flags.append(
            f"the court measures {100 * (scale[0] - 1):+.2f} % off in the rig: check the board's square size"
        )
    return replace(
        rig, frame="court", cameras=cameras, covariance=covariance, flags=(*rig.flags, *flags), court=check
    )


def _free_scale(
    rig: CalibratedRig, clicks: Sequence[Click], options: CourtOptions
) -> tuple[float, float] | None:
    """Size of the court as the rig sees it over its true size, from points met by two or more rays, and its u.

    Two rays at a small angle tell depth far worse than direction, so each met point carries its own covariance
    into the scale s = Σ xᵀRᵀm / Σ xᵀx (x, m centred: true and met points).
    """
    met, true, spread = [], [], []
    for point in sorted({c.point for c in clicks}):
        own = [c for c in clicks if c.point == point]
        if len(own) >= 2:
            met.append(meet(rig, own))
            true.append(court_point(point).xyz_m)
            spread.append(_met_covariance(rig, own, met[-1], options))
    if len(met) < 3:
        return None
    try:
        fit = fit_similarity(np.array(true), np.array(met), with_scale=True)
    except BadInput:
        return None
    x = (np.array(true) - np.mean(true, axis=0)) @ fit.R.T
    variance = float(np.einsum("ni,nij,nj->", x, np.array(spread), x))
    return fit.scale, float(np.sqrt(variance)) / float((x**2).sum())


def _met_covariance(rig: CalibratedRig, clicks: Sequence[Click], met_m: Array, options: CourtOptions) -> Array:
    """(3, 3) of a point met by rays, from the clicks' and the paint's uncertainty."""
    information = np.zeros((3, 3))
    for click in clicks:
        camera = rig.camera(click.camera)
        ray = camera.rays(click.uv_px)
        across_m = float(camera.depth_m(met_m)) / camera.K_px[0, 0] * options.click_u_px
        information += (np.eye(3) - np.outer(ray, ray)) / across_m**2
    return np.asarray(np.linalg.inv(information) + np.eye(3) * options.paint_u_m**2)


def court_check(
    cameras: Sequence[Camera], covariance: Array, clicks: Sequence[Click], clean: CleanFit,
    scale: tuple[float, float] | None,
) -> tuple[CourtCheck, list[str]]:  # fmt: skip
    """How well the cameras sit in the court, click by click, and what a person should know about it."""
    residual = {i: float(np.linalg.norm(r)) for i, r in zip(clean.used, clean.fit.residuals_px, strict=True)}
    rows = tuple(
        ClickResidual(c.camera, c.point, residual.get(i, float(off)), float(off), float(z), i in residual)
        for i, (c, (off, z)) in enumerate(zip(clicks, clean.left_out, strict=True))
    )
    rms = float(np.sqrt(np.mean(np.square(list(residual.values())))))
    worst = worst_u_over_volume(cameras, covariance, SERVE_VOLUME) if len(cameras) > 1 else None
    flags = [
        f"the click on {r.point} in {r.camera} is {r.left_out_px:.0f} px from where the others put it; left out"
        for r in rows
        if not r.used
    ]
    if worst is not None and worst > 0.010:
        flags.append(
            f"calibration alone leaves {1e3 * worst:.0f} mm of uncertainty somewhere in the serve volume"
        )
    across = baseline_u_m(cameras, covariance)
    free, free_u = scale or (None, None)
    return CourtCheck(rows, rms, worst, free, free_u, across), flags
