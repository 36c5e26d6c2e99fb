"""Fits one penalised spline per point to the pixels of all cameras at their true times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry import Camera
from recon.motion.bspline import (
    KnotGrid,
    NormalSystem,
    evaluate,
    normal_system,
    restricted_deviance,
    roughness,
    solve,
)
from recon.records import Clocks, Motion, Points3D, PointStatus, Tracks2D

_STRENGTHS = np.logspace(-4, 10, 29)
"""Smoothing strengths tried, in 1/m² of third difference; neighbours differ by a factor 3.2, which moves the
effective bandwidth by 3.2^(1/6) = 1.2: finer steps cannot be told apart."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MotionOptions:
    """How the motion is fitted.

    rounds       reweighting rounds; the weights settle within six on serve-like data
    gate_sigma   an observation farther than this from the curve gets no weight (last rounds)
    bridge_s     longest stretch without two views that the curve is trusted to cross
    max_parting_sigma  the curve may part from the per-frame points by this many of their sigmas in the
                 median; beyond it the per-frame points are smoothed instead (a fit that ran away)
    """

    rounds: int = 6
    gate_sigma: float = 4.0
    bridge_s: float = 0.10
    max_parting_sigma: float = 2.0

    def __post_init__(self) -> None:
        if self.rounds < 3 or min(self.gate_sigma, self.bridge_s, self.max_parting_sigma) <= 0:
            raise BadInput(f"motion: want rounds >= 3 and positive limits, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class MotionSupport:
    """Which cameras carry each sample of a motion: sigma_px (T, P, C), NaN where one does not."""

    cameras: tuple[str, ...]
    sigma_px: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Observations:
    """All pixels of one point: camera index (n,), rig time (n,), uv (n, 2), sigma (n,)."""

    camera: NDArray[np.intp]
    t_s: Array
    uv_px: Array
    sigma_px: Array


def fit_motion(
    cameras: Sequence[Camera],
    tracks: Tracks2D,
    clocks: Clocks,
    points: Points3D,
    options: MotionOptions | None = None,
) -> tuple[Motion, MotionSupport]:
    """One smooth curve per keypoint over the time grid of `points`.

    cov_m2 of the motion is that of a single instant's pixels: keypoint errors are correlated over about
    0.1 s, so smoothing is given no credit for removing them.
    Raises NotMeasurable where no point can be followed at all.
    """
    options = options or MotionOptions()
    t = points.t_s
    step = float(np.median(np.diff(t)))
    grid = KnotGrid(float(t[0]), step, len(t) - 1)
    shape = (len(t), len(points.keypoints))
    xyz, velocity = np.full((*shape, 3), np.nan), np.full((*shape, 3), np.nan)
    cov = np.full((*shape, 3, 3), np.nan)
    status = np.full(shape, PointStatus.TOO_FEW_VIEWS, dtype=np.int8)
    support = np.full((*shape, len(cameras)), np.nan)
    for p, name in enumerate(points.keypoints):
        seen = points.status[:, p] == PointStatus.OK
        if seen.sum() < 10:
            continue
        observed = _observations(cameras, tracks, clocks, name, t, step)
        control, weights = _fit_point(cameras, grid, observed, points, p, options)
        support[:, p] = _support(grid, observed, weights, len(cameras), t)
        status[:, p] = _status(t, support[:, p], options.bridge_s)
        x, v = evaluate(grid, control, t)
        present = status[:, p] != PointStatus.TOO_FEW_VIEWS
        xyz[present, p], velocity[present, p] = x[present], v[present]
        cov[present, p] = _instant_covariance(cameras, t, xyz[:, p], support[:, p])[present]
    if np.isnan(xyz).all():
        raise NotMeasurable("motion: no point was seen by two cameras long enough to be followed")
    motion = Motion(points.frame, points.keypoints, t, xyz, velocity, cov, status)
    return motion, MotionSupport(tuple(c.name for c in cameras), support)


def _observations(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, name: str, t: Array, step: float
) -> _Observations:
    parts: list[tuple[Array, Array, Array, Array]] = []
    p = tracks.index(name)
    for c, camera in enumerate(cameras):
        seen = tracks.of(camera.name)
        rig_t = seen.t_cam_s + clocks.of(camera.name).offset_s
        use = ~np.isnan(seen.sigma_px[:, p]) & (rig_t >= t[0] - step) & (rig_t <= t[-1] + step)
        parts.append((np.full(use.sum(), float(c)), rig_t[use], seen.uv_px[use, p], seen.sigma_px[use, p]))
    index, rig_times, uv, sigma = (np.concatenate(part) for part in zip(*parts, strict=True))
    return _Observations(index.astype(np.intp), rig_times, uv, sigma)


def _fit_point(
    cameras: Sequence[Camera],
    grid: KnotGrid,
    observed: _Observations,
    points: Points3D,
    p: int,
    options: MotionOptions,
) -> tuple[Array, Array]:
    """Control points and final weight factor (0 … 1) per observation."""
    penalty = roughness(grid)
    start = _fit_points_only(grid, points, p, penalty)
    control, weights = start, np.ones(len(observed.t_s))
    strength: float | None = None
    for round_ in range(options.rounds):
        information, target, distance = _linearise(cameras, grid, control, observed)
        weights = _weights(distance, options.gate_sigma, hard=round_ >= options.rounds - 2)
        system = normal_system(grid, observed.t_s, weights[:, None, None] * information, target)
        system = _effective_rows(system, weights)
        if strength is None or round_ == options.rounds - 2:
            strength = _best_strength(system, penalty)
        try:
            control, _ = solve(system, penalty, strength)
        except np.linalg.LinAlgError:
            return start, np.ones(len(observed.t_s))
    if _ran_away(grid, control, points, p, options.max_parting_sigma):
        return start, np.ones(len(observed.t_s))
    return control, weights


def _effective_rows(system: NormalSystem, weights: Array) -> NormalSystem:
    return NormalSystem(system.band, system.right, system.constant, int(2 * (weights > 1e-3).sum()))


def _fit_points_only(grid: KnotGrid, points: Points3D, p: int, penalty: Array) -> Array:
    """Smooth curve through the per-frame points alone: it cannot leave them, whatever the pixels do."""
    seen = points.status[:, p] == PointStatus.OK
    t, x = points.t_s[seen], points.xyz_m[seen, p]
    information = np.linalg.inv(points.cov_m2[seen, p])
    system = normal_system(grid, t, information, x)
    for _ in range(3):
        control, _ = solve(system, penalty, _best_strength(system, penalty))
        miss = x - evaluate(grid, control, t)[0]
        distance = np.sqrt(np.einsum("ni,nij,nj->n", miss, information, miss))
        weights = _weights(distance, 4.0, hard=False)
        system = normal_system(grid, t, weights[:, None, None] * information, x)
    return control


def _linearise(
    cameras: Sequence[Camera], grid: KnotGrid, control: Array, observed: _Observations
) -> tuple[Array, Array, Array]:
    """Information (n, 3, 3), the point each pixel asks for (n, 3) and its distance in sigmas (n,)."""
    x, _ = evaluate(grid, control, observed.t_s)
    jacobian, residual = np.zeros((len(x), 2, 3)), np.zeros((len(x), 2))
    for c, camera in enumerate(cameras):
        mine = observed.camera == c
        predicted, jacobian[mine] = camera.project_with_jacobian(x[mine])
        residual[mine] = observed.uv_px[mine] - predicted
    behind = np.isnan(residual).any(axis=1)
    jacobian[behind], residual[behind] = 0.0, 1e6
    weight = 1 / observed.sigma_px**2
    information = np.einsum("n,nki,nkj->nij", weight, jacobian, jacobian)
    # the least move of the point that explains the residual; along the ray nothing is asked for
    gram = np.einsum("nki,nli->nkl", jacobian, jacobian) + 1e-9 * np.eye(2)
    move = np.einsum("nki,nkl,nl->ni", jacobian, np.linalg.inv(gram), residual)
    return information, x + move, np.linalg.norm(residual, axis=1) / observed.sigma_px


def _weights(distance: Array, gate: float, *, hard: bool) -> Array:
    """Cauchy weights on the scale that the residuals themselves show; nothing beyond the gate when hard.

    The scale is never below the stated sigma, so good data are not thrown away, and may grow to twice
    it where the stated sigma is too small: a gate that rejects everything helps nobody.
    """
    scale = float(np.clip(np.median(distance) / 1.18, 1.0, 2.0)) if len(distance) else 1.0
    weights = 1 / (1 + (distance / (2 * scale)) ** 2)
    return np.where(distance > gate * scale, 0.0, weights) if hard else weights


def _best_strength(system: NormalSystem, penalty: Array) -> float:
    deviances = []
    for strength in _STRENGTHS:
        try:
            deviances.append(restricted_deviance(system, penalty, float(strength)))
        except np.linalg.LinAlgError:
            deviances.append(np.inf)
    return float(_STRENGTHS[int(np.argmin(deviances))])


def _ran_away(grid: KnotGrid, control: Array, points: Points3D, p: int, limit: float) -> bool:
    seen = points.status[:, p] == PointStatus.OK
    miss = points.xyz_m[seen, p] - evaluate(grid, control, points.t_s[seen])[0]
    squared = np.einsum("ni,nij,nj->n", miss, np.linalg.inv(points.cov_m2[seen, p]), miss)
    return bool(np.sqrt(np.median(squared) / 3) > limit)


def _support(grid: KnotGrid, observed: _Observations, weights: Array, cameras: int, t: Array) -> Array:
    """(T, C) sigma of the accepted observation nearest in time, NaN where none lies within 0.75 frames."""
    out = np.full((len(t), cameras), np.nan)
    for c in range(cameras):
        mine = np.flatnonzero((observed.camera == c) & (weights > 0.05))
        if not len(mine):
            continue
        times = observed.t_s[mine]
        after = (
            np.clip(np.searchsorted(times, t), 1, len(times) - 1) if len(times) > 1 else np.zeros(len(t), int)
        )
        nearest = np.where(np.abs(times[after - 1] - t) < np.abs(times[after] - t), after - 1, after)
        own_step = float(np.median(np.diff(times))) if len(times) > 1 else grid.step_s
        close = np.abs(times[nearest] - t) <= 0.75 * max(own_step, grid.step_s)
        out[close, c] = observed.sigma_px[mine][nearest[close]]
    return out


def _status(t: Array, support: Array, bridge_s: float) -> NDArray[np.int8]:
    """OK with two views, BRIDGED between two such samples no farther apart than bridge_s, else absent."""
    carried = (~np.isnan(support)).sum(axis=1) >= 2
    status = np.where(carried, PointStatus.OK, PointStatus.TOO_FEW_VIEWS).astype(np.int8)
    held = np.flatnonzero(carried)
    for a, b in pairwise(held):
        if b > a + 1 and t[b] - t[a] <= bridge_s:
            status[a + 1 : b] = PointStatus.BRIDGED
    return status


def _instant_covariance(cameras: Sequence[Camera], t: Array, xyz: Array, support: Array) -> Array:
    """(T, 3, 3) covariance of one instant's views; grown with the gap where the curve is bridged."""
    normal = np.zeros((len(t), 3, 3))
    for c, camera in enumerate(cameras):
        _, jacobian = camera.project_with_jacobian(xyz)
        weight = np.nan_to_num(1 / support[:, c] ** 2)
        normal += np.einsum("n,nki,nkj->nij", weight, np.nan_to_num(jacobian), np.nan_to_num(jacobian))
    carried = np.flatnonzero((~np.isnan(support)).sum(axis=1) >= 2)
    cov = np.full((len(t), 3, 3), np.nan)
    if len(carried):
        cov[carried] = np.linalg.inv(normal[carried])
        nearest = carried[np.abs(t[carried][None] - t[:, None]).argmin(axis=1)]
        # doubles the sigma 20 ms away from the nearest measured sample: the error's correlation time is
        # some 110 ms for body points and far shorter for the racket, so this errs on the wide side
        growth = 1 + 3 * (np.abs(t - t[nearest]) / 0.02) ** 2
        cov = cov[nearest] * growth[:, None, None]
    return cov
