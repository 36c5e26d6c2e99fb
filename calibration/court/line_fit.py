"""The most likely place of the rig in the court, given edges of painted lines in all cameras' pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.bundle import nudged
from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.court.clicks import Click
from calibration.court.fit import inverse_scaled, root_of, solve_scaled, turning
from calibration.court.line_samples import EdgeSamples, LineOptions
from calibration.court.model import court_point
from calibration.court.placement import cameras_at
from calibration.court.ruled_lines import RULED_LINES, Flags, Index, lines_through
from calibration.geometry.camera import N_CAMERA, Camera
from calibration.geometry.rigid import Rigid

_STEPS = 25
_SETTLED = 1e-8  # fall of the sum of squares that a step promises: a ten-thousandth of a sigma
_CAUCHY_SIGMAS = 2.5
_GATE_SIGMAS = 4.0  # edges farther off take no part in the last steps and in the covariance
_LEAST_U_PX = 0.02  # interpolation and the pixel's own shape: no edge is known better
_FREE_U_M = 0.5  # laying tolerance of a line that is left out: as good as none
_L = len(RULED_LINES)


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """The state of a fit, and where each kind of unknown stands in the linear system.

    z in units of the rig covariance's root; ends (L, 2) and widths (L,) and bloom (C,) in units of their own
    prior uncertainty; place is rig_from_court.
    """

    z: Array
    place: Rigid
    ends: Array
    widths: Array
    bloom: Array

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.z) + 6 + 3 * _L + len(self.bloom)

    def at_place(self) -> slice:
        return slice(len(self.z), len(self.z) + 6)

    def at_ends(self) -> slice:
        return slice(len(self.z) + 6, len(self.z) + 6 + 2 * _L)

    def at_widths(self) -> slice:
        return slice(len(self.z) + 6 + 2 * _L, len(self.z) + 6 + 3 * _L)

    def at_bloom(self) -> slice:
        return slice(self.size - len(self.bloom), self.size)

    def vector(self) -> Array:
        """All of them (U,), the place's step being zero."""
        return np.concatenate([self.z, np.zeros(6), self.ends.ravel(), self.widths, self.bloom])

    def stepped(self, step: Array) -> Unknowns:
        """After adding a step (U,)."""
        n = len(self.z)
        return Unknowns(
            self.z + step[:n],
            nudged(self.place, step[self.at_place()]),
            self.ends + step[self.at_ends()].reshape(_L, 2),
            self.widths + step[self.at_widths()],
            self.bloom + step[self.at_bloom()],
        )

    def prior(self) -> Array:
        """Diagonal (U,) of the prior's information: one, and nothing known of the place."""
        out = np.ones(self.size)
        out[self.at_place()] = 0.0
        return out


@dataclass(frozen=True, slots=True, eq=False)
class LineFit:
    """What a fit leaves behind.

    cameras, rig_from_court  the estimate, in the rig's frame
    covariance   of (camera parameters 18 N, court step 6)
    unknowns, normal, prior  the last linear system: N = Jᵀ W J + diag(prior)
    bloom_px (C,)  by how much each picture widens paint on each side
    ends_m (L, 2), widths_m (L,), widths_u_m (L,)  the lines' ends off the rules, and their widths
    samples      with u_px as it came out of the residuals
    residual_px  (N,) found minus predicted along the normal
    used         (N,) within the gate
    clicks       (K, 4) per click: miss in px; the same had it taken no part, in px and (largest component) in
                 its predicted sigmas; 1 where it is within the gate
    free         names of lines that were given no say
    scale        court's size as the rig sees it over the true one, if left free, and its standard uncertainty
    paint_sd_m   (L,) laying tolerance given to each line's ends
    """

    cameras: tuple[Camera, ...]
    rig_from_court: Rigid
    covariance: Array
    unknowns: Unknowns
    normal: Array
    prior: Array
    bloom_px: Array
    ends_m: Array
    widths_m: Array
    widths_u_m: Array
    samples: EdgeSamples
    residual_px: Array
    used: Flags
    clicks: Array
    free: frozenset[str]
    scale: tuple[float, float]
    paint_sd_m: Array

    def origin_u_m(self) -> float:
        """Largest standard uncertainty of the court's origin, in any direction, in the rig's frame."""
        return float(np.sqrt(np.linalg.eigvalsh(self.covariance[-3:, -3:])[-1]))


def fit_lines(
    rig: CalibratedRig, samples: EdgeSamples, start: Rigid, options: LineOptions,
    clicks: Sequence[Click] = (), free: frozenset[str] = frozenset(), noise_from_residuals: bool = True,
) -> LineFit:  # fmt: skip
    """Maximum likelihood over the cameras (their rig covariance is the prior), the court's place, each line's
    two ends and width, each picture's bloom; with the samples' noise taken from their residuals.

    Gauss-Newton, robust (Cauchy) until it settles, then with a gate. Lines named in `free` are fitted, but have
    no say in where the court is. Raises NotMeasurable where the lines leave the rig free to move.
    """
    job = _Job(rig, root_of(rig.covariance), samples, tuple(clicks), options, free)
    zero = np.zeros(_L)
    state = Unknowns(np.zeros(job.root.shape[1]), start, np.zeros((_L, 2)), zero, np.zeros(len(rig.cameras)))
    state = _settled(job, state, gate=False)
    for _ in range(3 if noise_from_residuals else 0):
        job = replace(job, samples=_with_noise_of(job, state))
        state = _settled(job, state, gate=False)
    state = _settled(job, state, gate=True)
    return _finished(job, state)


@dataclass(frozen=True, slots=True, eq=False)
class _Job:
    rig: CalibratedRig
    root: Array
    samples: EdgeSamples
    clicks: tuple[Click, ...]
    options: LineOptions
    free: frozenset[str]

    def paint_sd_m(self) -> Array:
        return np.array([_FREE_U_M if r.name in self.free else self.options.paint_u_m for r in RULED_LINES])


def _settled(job: _Job, state: Unknowns, gate: bool) -> Unknowns:
    prior = state.prior()
    width = np.inf
    for number in range(_STEPS):
        r, jacobian, _ = _linearised(job, state)
        if gate:
            weight = (np.abs(r) < _GATE_SIGMAS).astype(float)
        else:
            # a rough start keeps its say: the robust width shrinks with the residuals to its final size
            width = max(_CAUCHY_SIGMAS, min(width, 3 * float(np.median(np.abs(r)))))
            weight = 1 / (1 + (r / width) ** 2)
        normal = jacobian.T @ (jacobian * weight[:, None]) + np.diag(prior)
        downhill = jacobian.T @ (weight * r) - prior * state.vector()
        step = solve_scaled(normal, downhill)
        state = state.stepped(step)
        if number > 2 and float(step @ downhill) < _SETTLED:
            break
    return state


_WIDTHS = np.array([r.width_m for r in RULED_LINES])
_WIDTHS_U = np.array([r.width_u_m for r in RULED_LINES])


def _linearised(job: _Job, state: Unknowns) -> tuple[Array, Array, Array]:
    """Residuals (N + 2 K,) in sigmas, the prediction's derivative by the unknowns, and by the court's scale."""
    cameras = cameras_at(job.rig, job.root @ state.z)
    parts = [_camera_rows(job, state, cameras[i], i) for i in range(len(cameras))]
    order = np.concatenate([p[0] for p in parts])
    n = len(job.samples)
    r, jacobian, by_scale = np.zeros(n), np.zeros((n, state.size)), np.zeros(n)
    r[order] = np.concatenate([p[1] for p in parts])
    jacobian[order] = np.concatenate([p[2] for p in parts])
    by_scale[order] = np.concatenate([p[3] for p in parts])
    if job.clicks:
        rows = [_click_rows(job, state, cameras, c)[:2] for c in job.clicks]
        r = np.concatenate([r, *(c[0] for c in rows)])
        jacobian = np.concatenate([jacobian, *(c[1] for c in rows)])
        by_scale = np.concatenate([by_scale, np.zeros(2 * len(rows))])
    return r, jacobian, by_scale


def _camera_rows(job: _Job, state: Unknowns, camera: Camera, i: int) -> tuple[Index, Array, Array, Array]:
    """Rows of one camera: indices, residuals, derivatives and scale derivative, all in sigmas."""
    at = np.flatnonzero(job.samples.camera == i)
    s = job.samples.only(at)
    x, tau, across_axis, per_width = _edge_points(job, state, s)
    turned = state.place.rotate(x)
    uv, by_point, by_camera = camera.project_all(turned + state.place.t_m)
    across = np.einsum("ni,nij->nj", s.normal, by_point)  # (n, 3)
    by_across = (across * state.place.R[:, across_axis].T).sum(axis=1)
    jac = np.zeros((len(at), state.size))
    rows = np.arange(len(at))
    jac[:, : len(state.z)] = (
        np.einsum("ni,nij->nj", s.normal, by_camera) @ job.root[i * N_CAMERA : (i + 1) * N_CAMERA]
    )
    place = state.at_place().start
    jac[:, place : place + 3] = np.einsum("ni,nij->nj", across, turning(turned))
    jac[:, place + 3 : place + 6] = across
    sd = job.paint_sd_m()[s.line]
    jac[rows, state.at_ends().start + 2 * s.line] = by_across * (1 - tau) * sd
    jac[rows, state.at_ends().start + 2 * s.line + 1] = by_across * tau * sd
    jac[rows, state.at_widths().start + s.line] = by_across * per_width * _WIDTHS_U[s.line]
    jac[:, state.at_bloom().start + i] = 2 * (s.share - 0.5) * job.options.bloom_u_px
    bloom = 2 * (s.share - 0.5) * job.options.bloom_u_px * state.bloom[i]
    r = ((s.uv_px - uv) * s.normal).sum(axis=1) - bloom
    by_scale = np.einsum("ni,ni->n", across, turned)
    behind = ~np.isfinite(r)
    r[behind], jac[behind], by_scale[behind] = 1e4, 0.0, 0.0
    return at, r / s.u_px, jac / s.u_px[:, None], by_scale / s.u_px


def _edge_points(job: _Job, state: Unknowns, s: EdgeSamples) -> tuple[Array, Array, Index, Array]:
    """Court points (N, 3) of the edges; place between the line's ends 0…1, across axis, widths' factor."""
    along = np.array([r.along for r in RULED_LINES])[s.line]
    at_m = np.array([r.at_m for r in RULED_LINES])[s.line]
    begin, length = (np.array([getattr(r, k) for r in RULED_LINES])[s.line] for k in ("start_m", "length_m"))
    inward = np.array([r.inward for r in RULED_LINES])[s.line]
    per_width = np.where(inward != 0, inward * s.share, s.share - 0.5)
    tau = (s.along_m - begin) / length
    ends = state.ends[s.line] * job.paint_sd_m()[s.line, None]
    width = _WIDTHS[s.line] + _WIDTHS_U[s.line] * state.widths[s.line]
    across_m = at_m + ends[:, 0] * (1 - tau) + ends[:, 1] * tau + per_width * width
    x, rows = np.zeros((len(s), 3)), np.arange(len(s))
    x[rows, along], x[rows, 1 - along] = s.along_m, across_m
    return x, tau, 1 - along, per_width


def _click_rows(
    job: _Job, state: Unknowns, cameras: Sequence[Camera], click: Click
) -> tuple[Array, Array, Array]:
    """Two whitened rows of a click, and their root (2, 2) px.

    The clicked corner lies where its lines are laid, so it shares their ends; on an axis where no measured line
    passes through it (centre marks, under the net) its paint error counts as noise.
    """
    i = job.rig.names.index(click.camera)
    x, sd = np.array(court_point(click.point).xyz_m), job.paint_sd_m()
    ties = lines_through(x)
    for axis, line, tau in ties:
        x[axis] += sd[line] * (state.ends[line] @ [1 - tau, tau])
    turned = state.place.rotate(x)
    uv, by_point, by_camera = cameras[i].project_all(turned + state.place.t_m)
    if not np.isfinite(uv).all():
        return np.full(2, 1e4), np.zeros((2, state.size)), np.eye(2)
    untied = [axis for axis in (0, 1) if axis not in {t[0] for t in ties}]
    painted = job.options.paint_u_m * by_point @ state.place.R[:, untied]
    root = np.linalg.cholesky(painted @ painted.T + np.eye(2) * job.options.click_u_px**2)
    whiten = np.linalg.inv(root)
    jac = np.zeros((2, state.size))
    jac[:, : len(state.z)] = by_camera @ job.root[i * N_CAMERA : (i + 1) * N_CAMERA]
    place = state.at_place().start
    jac[:, place : place + 3] = by_point @ turning(turned)
    jac[:, place + 3 : place + 6] = by_point
    for axis, line, tau in ties:
        at = state.at_ends().start + 2 * line
        jac[:, at : at + 2] = np.outer(by_point @ state.place.R[:, axis], [1 - tau, tau]) * sd[line]
    return np.asarray(whiten @ (click.uv_px - uv)), np.asarray(whiten @ jac), np.asarray(root)


def _click_table(job: _Job, state: Unknowns, normal: Array, weight: Array) -> Array:
    """LineFit.clicks, by the formula of calibration.court.registration's leave-one-out."""
    cameras = cameras_at(job.rig, job.root @ state.z)
    out = np.zeros((len(job.clicks), 4))
    for k, click in enumerate(job.clicks):
        r, jac, root = _click_rows(job, state, cameras, click)
        w = weight[2 * k : 2 * k + 2]
        reach = jac @ inverse_scaled(normal - (jac.T * w) @ jac) @ jac.T
        miss = r + reach @ (w * r)
        z = float(np.abs(miss / np.sqrt(1 + np.diag(reach))).max())
        out[k] = np.linalg.norm(root @ r), np.linalg.norm(root @ miss), z, float(w.min())
    return out


def _with_noise_of(job: _Job, state: Unknowns) -> EdgeSamples:
    """The samples with each camera's noise rescaled to its residuals, and raised where neighbours err alike.

    Neighbouring samples that share an error (paint worn on one side, a wavy edge) tell less than their number:
    with a lag-one correlation ρ a mean over many has a variance (1 + ρ)/(1 - ρ) times that of white noise.
    """
    s = job.samples
    r, jacobian, _ = _linearised(job, state)
    weight = (np.abs(r) < _GATE_SIGMAS).astype(float)
    cov = inverse_scaled(jacobian.T @ (jacobian * weight[:, None]) + np.diag(state.prior()))
    # residuals are smaller than the noise by what the fit takes up: the samples' leverages
    leverage = np.minimum(((jacobian @ cov) * jacobian).sum(axis=1)[: len(s)], 1.0)
    r = r[: len(s)]
    u = np.array(s.u_px)
    for i in range(len(job.rig.cameras)):
        own = np.flatnonzero(s.camera == i)
        if len(own) < 20:
            continue
        spread = 1.4826 * float(np.median(np.abs(r[own]))) / np.sqrt(max(1 - float(leverage[own].mean()), 0.1))
        rho = _lag_one(r[own] / max(spread, 1e-9), s.only(own))
        u[own] = np.maximum(u[own] * spread, _LEAST_U_PX) * np.sqrt((1 + rho) / (1 - rho))
    # the correlation's factor must not be taken for noise in the next round: the scale is absolute
    return replace(s, u_px=u)


def _lag_one(z: Array, s: EdgeSamples) -> float:
    """Correlation of neighbouring samples of one line and edge, wrong ones apart; 0 to 0.9."""
    key = s.line * 4 + 2 * s.share
    order = np.lexsort((s.along_m, key))
    z, key = z[order], key[order]
    pair = (key[1:] == key[:-1]) & (np.abs(z[1:]) < _GATE_SIGMAS) & (np.abs(z[:-1]) < _GATE_SIGMAS)
    if pair.sum() < 20:
        return 0.0
    a, b = z[:-1][pair], z[1:][pair]
    return float(np.clip((a * b).mean() / max(float(((a**2 + b**2) / 2).mean()), 1e-12), 0.0, 0.9))


def _finished(job: _Job, state: Unknowns) -> LineFit:
    prior = state.prior()
    r, jacobian, by_scale = _linearised(job, state)
    n = len(job.samples)
    weight = (np.abs(r) < _GATE_SIGMAS).astype(float)
    normal = jacobian.T @ (jacobian * weight[:, None]) + np.diag(prior)
    cov = inverse_scaled(normal)
    core = len(state.z) + 6
    expand = np.zeros((job.root.shape[0] + 6, core))
    expand[: job.root.shape[0], : len(state.z)] = job.root
    expand[job.root.shape[0] :, len(state.z) :] = np.eye(6)
    pull = jacobian.T @ (weight * by_scale)
    strength = float(by_scale @ (weight * by_scale) - pull @ cov @ pull)
    scale = 1 + float(by_scale @ (weight * r)) / strength if strength > 0 else 1.0
    widths_u = _WIDTHS_U * np.sqrt(np.diag(cov)[state.at_widths()])
    return LineFit(
        cameras_at(job.rig, job.root @ state.z), state.place, expand @ cov[:core, :core] @ expand.T, state,
        normal, prior, state.bloom * job.options.bloom_u_px, state.ends * job.paint_sd_m()[:, None],
        _WIDTHS + _WIDTHS_U * state.widths, widths_u,
        job.samples, r[:n] * job.samples.u_px, weight[:n] > 0, _click_table(job, state, normal, weight[n:]),
        job.free, (scale, strength**-0.5 if strength > 0 else np.inf), job.paint_sd_m(),
    )  # fmt: skip
