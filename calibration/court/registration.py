"""The rig's place in the court, from named court points clicked in the cameras' pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.bundle import nudged
from calibration.calibrated_rig import CalibratedRig, ClickResidual, CourtCheck
from calibration.checks import Array
from calibration.court.clicks import Click, check_clicks, first_placement, meet, want_enough
from calibration.court.model import SERVE_VOLUME, court_point
from calibration.court.placement import (
    FreeToMove,
    cameras_at,
    in_court,
    inverse_scaled,
    root_of,
    solve_scaled,
    turning,
)
from calibration.court.uncertainty import baseline_u_m, worst_u_over_volume
from calibration.errors import BadInput
from calibration.geometry.camera import N_CAMERA, Camera
from calibration.geometry.rigid import Rigid
from calibration.geometry.similarity import fit_similarity

_MISCLICK_Z = 6.0  # a click this many of its own predicted standard deviations off is a wrong click, not noise
_STEPS = 40
_ROBUST_SIGMAS = 3.0
_GATE_SIGMAS = 6.0  # clicks farther off do not count in the covariance


@dataclass(frozen=True, kw_only=True, slots=True)
class CourtOptions:
    """Standard uncertainties that the fit goes by.

    click_u_px  of a click along each image axis: half a pixel to one pixel in a magnified picture
    paint_u_m   of a painted point against the rules' measure, along x and along y. Lines are commonly laid to
                within 5 mm; spread evenly that is 5 mm / sqrt 3
    """

    click_u_px: float = 0.7
    paint_u_m: float = 0.003

    def __post_init__(self) -> None:
        if not 0 < self.click_u_px < 50:
            raise BadInput(f"click_u_px: want above 0 and below 50, got {self.click_u_px}")
        if not 0 <= self.paint_u_m < 0.1:
            raise BadInput(f"paint_u_m: want 0 to 0.1 m, got {self.paint_u_m}")


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
    used = list(range(len(clicks)))
    best = first_placement(rig, clicks)
    left_out = np.zeros((len(clicks), 2))
    bad: list[int] = []
    while True:
        fit = _fit(rig, [clicks[i] for i in used], options, best)
        left_out[used] = _leave_one_out(fit)
        worst = max(used, key=lambda i: left_out[i, 1])
        if left_out[worst, 1] <= _MISCLICK_Z:
            break
        bad.append(worst)
        used.remove(worst)
        want_enough(
            rig, [clicks[i] for i in used], [_named(clicks[i], left_out[i, 0]) for i in bad], len(clicks)
        )
        best = fit.rig_from_court
    for i in bad:
        left_out[i] = _against(rig, clicks[i], options, fit)
    return _result(rig, clicks, used, left_out, fit, options)


def _named(click: Click, off_px: float) -> str:
    return f"{click.point} in {click.camera} ({off_px:.0f} px off)"


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """What a fit leaves behind.

    rig_from_court, cameras  the estimate
    covariance    of (camera steps 18 N, court step 6)
    residuals_px  (C, 2) clicked minus predicted
    jacobian, weight, normal, click_u_px  the last linear step: (2 C, U) in click sigmas, (C,), (U, U)
    """

    rig_from_court: Rigid
    cameras: tuple[Camera, ...]
    covariance: Array
    residuals_px: Array
    jacobian: Array
    weight: Array
    normal: Array
    click_u_px: float


def _fit(rig: CalibratedRig, clicks: Sequence[Click], options: CourtOptions, start: Rigid) -> _Fit:
    """Gauss-Newton over z (cameras = mean + L z), the court's place (6) and the paint (2 per point).

    All unknowns but the place have a unit normal prior; clicks have a robust (Cauchy) weight.
    """
    root = root_of(rig.covariance)
    names = sorted({c.point for c in clicks})
    n_z, n_paint = root.shape[1], 2 * len(names)
    z, place, paint = np.zeros(n_z), start, np.zeros(n_paint)
    prior = np.concatenate([np.ones(n_z), np.zeros(6), np.ones(n_paint)])
    width = np.inf
    for step_number in range(_STEPS):
        cameras = cameras_at(rig, root @ z)
        r, jacobian = _linearised(cameras, root, place, paint, names, clicks, options)
        z2 = (r.reshape(-1, 2) ** 2).sum(axis=1)
        # a rough start keeps its say: the robust width shrinks with the residuals to its final size
        width = max(_ROBUST_SIGMAS, min(width, 3 * float(np.median(np.sqrt(z2)))))
        weight = np.repeat(1 / (1 + z2 / width**2), 2)
        unknown = np.concatenate([z, np.zeros(6), paint])
        normal = jacobian.T @ (jacobian * weight[:, None]) + np.diag(prior)
        step = solve_scaled(normal, jacobian.T @ (weight * r) - prior * unknown)
        z, paint = z + step[:n_z], paint + step[n_z + 6 :]
        place = nudged(place, step[n_z : n_z + 6])
        if step_number > 3 and np.abs(step).max() < 1e-8:
            break
    cameras = cameras_at(rig, root @ z)
    r, jacobian = _linearised(cameras, root, place, paint, names, clicks, options)
    z2 = (r.reshape(-1, 2) ** 2).sum(axis=1)
    weight = (z2 < _GATE_SIGMAS**2).astype(float)
    normal = jacobian.T @ (jacobian * np.repeat(weight, 2)[:, None]) + np.diag(prior)
    try:
        cov = inverse_scaled(normal)
    except FreeToMove as error:
        raise BadInput(
            "court clicks: they leave the rig free to move; click more points, spread over the court"
        ) from error
    expand = np.zeros((root.shape[0] + 6, n_z + 6))
    expand[: root.shape[0], :n_z] = root
    expand[root.shape[0] :, n_z:] = np.eye(6)
    core = cov[: n_z + 6, : n_z + 6]
    left = r.reshape(-1, 2) * options.click_u_px
    return _Fit(place, cameras, expand @ core @ expand.T, left, jacobian, weight, normal, options.click_u_px)


def _linearised(
    cameras: Sequence[Camera], root: Array, place: Rigid, paint: Array, names: Sequence[str],
    clicks: Sequence[Click], options: CourtOptions,
) -> tuple[Array, Array]:  # fmt: skip
    """Residuals (2 C,) in click sigmas, and their derivative by (z, place, paint), sign: predicted."""
    at = {c.name: i for i, c in enumerate(cameras)}
    n_z = root.shape[1]
    r = np.zeros(2 * len(clicks))
    jacobian = np.zeros((2 * len(clicks), n_z + 6 + len(paint)))
    for k, click in enumerate(clicks):
        i, p = at[click.camera], names.index(click.point)
        x_court = np.array(court_point(click.point).xyz_m)
        x_court[:2] += options.paint_u_m * paint[2 * p : 2 * p + 2]
        turned = place.rotate(x_court)
        uv, by_point, by_camera = cameras[i].project_all(turned + place.t_m)
        rows = slice(2 * k, 2 * k + 2)
        r[rows] = click.uv_px - uv
        jacobian[rows, :n_z] = by_camera @ root[N_CAMERA * i : N_CAMERA * (i + 1)]
        jacobian[rows, n_z : n_z + 3] = by_point @ turning(turned)
        jacobian[rows, n_z + 3 : n_z + 6] = by_point
        jacobian[rows, n_z + 6 + 2 * p : n_z + 8 + 2 * p] = options.paint_u_m * by_point @ place.R[:, :2]
    behind = ~np.isfinite(r)
    r[behind], jacobian[behind] = 1e4, 0.0
    return r / options.click_u_px, jacobian / options.click_u_px


def _leave_one_out(fit: _Fit) -> Array:
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


def _against(rig: CalibratedRig, click: Click, options: CourtOptions, fit: _Fit) -> Array:
    i = rig.names.index(click.camera)
    x_court = np.array(court_point(click.point).xyz_m)
    turned = fit.rig_from_court.rotate(x_court)
    uv, by_point, by_camera = fit.cameras[i].project_all(turned + fit.rig_from_court.t_m)
    jacobian = np.zeros((2, len(fit.covariance)))
    jacobian[:, N_CAMERA * i : N_CAMERA * (i + 1)] = by_camera
    jacobian[:, -6:-3] = by_point @ turning(turned)
    jacobian[:, -3:] = by_point
    painted = options.paint_u_m * by_point @ fit.rig_from_court.R[:, :2]
    covariance = (
        jacobian @ fit.covariance @ jacobian.T + painted @ painted.T + np.eye(2) * options.click_u_px**2
    )
    miss = np.nan_to_num(click.uv_px - uv, nan=1e6)
    return np.array([np.linalg.norm(miss), np.abs(miss / np.sqrt(np.diag(covariance))).max()])


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


def _result(
    rig: CalibratedRig, clicks: Sequence[Click], used: Sequence[int], left_out: Array, fit: _Fit,
    options: CourtOptions,
) -> CalibratedRig:  # fmt: skip
    cameras, covariance = in_court(fit.cameras, fit.rig_from_court, fit.covariance)
    residual = {i: float(np.linalg.norm(r)) for i, r in zip(used, fit.residuals_px, strict=True)}
    rows = tuple(
        ClickResidual(
            c.camera, c.point, residual.get(i, float(left_out[i, 0])), float(left_out[i, 0]),
            float(left_out[i, 1]), i in residual,
        )
        for i, c in enumerate(clicks)
    )  # fmt: skip
    rms = float(np.sqrt(np.mean(np.square(list(residual.values())))))
    worst = worst_u_over_volume(cameras, covariance, SERVE_VOLUME) if len(cameras) > 1 else None
    scale = _free_scale(rig, [clicks[i] for i in used], options)
    flags = list(rig.flags)
    flags += [
        f"the click on {r.point} in {r.camera} is {r.left_out_px:.0f} px from where the others put it; left out"
        for r in rows
        if not r.used
    ]
    if worst is not None and worst > 0.010:
        flags.append(
            f"calibration alone leaves {1e3 * worst:.0f} mm of uncertainty somewhere in the serve volume"
        )
    if scale is not None and abs(scale[0] - 1) > 4 * scale[1]:
        flags.append(
            f"the court measures {100 * (scale[0] - 1):+.2f} % off in the rig: check the board's square size"
        )
    check = CourtCheck(
        rows,
        rms,
        worst,
        scale[0] if scale else None,
        scale[1] if scale else None,
        baseline_u_m(cameras, covariance),
    )
    return replace(rig, frame="court", cameras=cameras, covariance=covariance, flags=tuple(flags), court=check)
