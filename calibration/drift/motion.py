"""The motion of one camera since it was registered, by maximum likelihood from measured shifts.

Unknown: the six numbers of the motion. The registered camera (18 parameters with their covariance), the paint's
laying errors and the distance of things off the court are nuisances: they are not estimated again, their
uncertainty enters the weights and the result (a Schmidt or "consider" estimate; Schmidt SF (1966), Application of
state-space methods to navigation problems). To first order a shift between two pictures does not depend on
the registered camera at all while the motion is small; that is what makes a small nudge visible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.bundle import moved, nudged
from calibration.checks import Array
from calibration.drift.shifts import Shifts, new_camera
from calibration.errors import NotMeasurable
from calibration.geometry.camera import N_CAMERA, POSE, Camera
from calibration.geometry.rigid import Rigid

_STEPS = 30
_ROBUST_SIGMAS = 2.5
_GATE_SIGMAS = 4.0  # shifts farther off belong to something that moved by itself
_TILES = (8, 5)  # parts of the picture whose errors are taken as independent of each other's
_LEAST_SHIFTS, _LEAST_TILES = 24, 10


@dataclass(frozen=True, slots=True, eq=False)
class MotionFit:
    """What a fit leaves behind.

    motion       new camera from "still"
    noise        (6, 6) covariance of (turn, shift) from the measurements alone; turn on the left in the camera's
                 frame, shift in metres along its axes
    by_camera    (6, 18) how an error of the registered camera's PARAMETERS enters (turn, shift)
    noise_scale  per kind, the measurements' true scatter against their stated uncertainty
    used         per group of shifts, (K,) True for those that agree with the motion
    residual_px  per group, (K,) measured minus predicted
    tiles        parts of the picture that hold used shifts
    """

    motion: Rigid
    noise: Array
    by_camera: Array
    noise_scale: tuple[float, ...]
    used: tuple[Array, ...]
    residual_px: tuple[Array, ...]
    tiles: int

    def covariance(self, camera_covariance: Array) -> Array:
        """(6, 6) of (turn, shift), the registered camera's own uncertainty included."""
        return np.asarray(self.noise + self.by_camera @ camera_covariance @ self.by_camera.T)


@dataclass(frozen=True, slots=True, eq=False)
class _Linear:
    """One linearisation: residual (M,), by_motion (M, 6), nearness spread (M,), common (M, C)."""

    residual: Array
    by_motion: Array
    spread: Array
    common: Array


def fit_motion(
    camera: Camera, camera_covariance: Array, groups: Sequence[Shifts], start: Rigid, paint_u_m: float
) -> MotionFit:
    """The most likely motion near `start`.

    camera_covariance (18, 18). Raises NotMeasurable where the shifts are too few, in one place, or do not agree.
    """
    groups = [g for g in groups if len(g)]
    u = np.concatenate([g.u_px for g in groups]) if groups else np.zeros(0)
    if len(u) < _LEAST_SHIFTS:
        raise NotMeasurable(f"only {len(u)} places of the picture could be found again; {_LEAST_SHIFTS} are needed")
    kinds = np.repeat(np.arange(len(groups)), [len(g) for g in groups])
    motion, width = start, np.inf
    root = _root(camera_covariance)
    for step_number in range(_STEPS):
        linear = _linearised(camera, root, groups, motion, paint_u_m)
        base = np.sqrt(u**2 + linear.spread**2)
        z = np.abs(linear.residual) / base
        scale = _scales(z, kinds, len(groups))
        variance = (scale[kinds] * u) ** 2 + linear.spread**2
        z = np.abs(linear.residual) / np.sqrt(variance)
        width = max(_ROBUST_SIGMAS, min(width, 3 * float(np.median(z))))
        step, _ = _solved(linear, variance * (1 + (z / width) ** 2))
        motion = nudged(motion, step)
        if step_number > 4 and np.abs(step).max() < 1e-8:
            break
    linear = _linearised(camera, root, groups, motion, paint_u_m)
    variance = (scale[kinds] * u) ** 2 + linear.spread**2
    used = np.abs(linear.residual) < _GATE_SIGMAS * np.sqrt(variance)
    return _finished(camera, groups, motion, linear, variance, used, scale, len(root.T))


def _finished(
    camera: Camera, groups: Sequence[Shifts], motion: Rigid, linear: _Linear, variance: Array, used: Array,
    scale: Array, n_root: int,
) -> MotionFit:  # fmt: skip
    """The last linear step over the shifts that agree, and its covariance."""
    if used.sum() < _LEAST_SHIFTS:
        raise NotMeasurable("the places found again do not agree on one motion of the camera")
    part = _Linear(linear.residual[used], linear.by_motion[used], linear.spread[used], linear.common[used])
    step, gain = _solved(part, variance[used])
    motion = nudged(motion, step)
    noise = (gain * variance[used]) @ gain.T
    painted = gain @ part.common[:, n_root:]
    uv = np.concatenate([g.uv_px for g in groups])[used]
    inflation, tiles = _inflation(camera, uv, part, variance[used], gain, step)
    if tiles < _LEAST_TILES:
        raise NotMeasurable(f"what was found again lies in {tiles} parts of the picture; {_LEAST_TILES} are needed")
    by_camera = -gain @ _by_camera(camera, groups, motion)[used]
    cuts = np.cumsum([len(g) for g in groups])[:-1]
    left = linear.residual - linear.by_motion @ step
    return MotionFit(
        motion, inflation * noise + painted @ painted.T, by_camera, tuple(float(s) for s in scale),
        tuple(np.split(used, cuts)), tuple(np.split(left, cuts)), tiles,
    )  # fmt: skip


def _scales(z: Array, kinds: Array, count: int) -> Array:
    """Robust scatter per kind (1.4826 median |z| is the standard deviation of a normal), never below a third."""
    return np.array([max(1.4826 * float(np.median(z[kinds == k])), 0.33) for k in range(count)])


def _root(covariance: Array) -> Array:
    """L (18, R) with L Lᵀ = covariance; directions without variance are left out."""
    d = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    live = np.flatnonzero(d > 0)
    out = np.zeros((len(d), 0))
    if len(live):
        values, vectors = np.linalg.eigh(covariance[np.ix_(live, live)] / np.outer(d[live], d[live]))
        keep = values > 1e-12 * values.max()
        out = np.zeros((len(d), int(keep.sum())))
        out[live] = d[live, None] * vectors[:, keep] * np.sqrt(values[keep])
    return out


def _linearised(
    camera: Camera, root: Array, groups: Sequence[Shifts], motion: Rigid, paint_u_m: float
) -> _Linear:
    standing = new_camera(camera, motion)
    residual, by_motion, spread, paint = [], [], [], []
    numbers = sorted({int(p) for g in groups for p in g.paint if p >= 0})
    for g in groups:
        x = g.x_still_m(camera)
        uv, by_point, by_parameter = standing.project_all(x)
        predicted = (g.normal * uv).sum(axis=1)
        bad = ~np.isfinite(predicted)
        residual.append(np.where(bad, 1e3, g.at_px - predicted))
        along = np.einsum("ki,kij->kj", g.normal, by_parameter[..., POSE])
        by_motion.append(np.where(bad[:, None], 0.0, along))
        by_x = np.einsum("ki,kij->kj", g.normal, np.where(bad[:, None, None], 0.0, by_point))
        with np.errstate(divide="ignore", invalid="ignore"):
            drift = -(by_x * x).sum(axis=1) / g.nearness * g.nearness_u
        spread.append(np.abs(np.nan_to_num(drift)))
        block = np.zeros((len(g), 2 * len(numbers)))
        if g.x_court_m is not None:
            by_court = by_x @ camera.cam_from_world.R[:, :2] * paint_u_m
            for n, number in enumerate(numbers):
                block[g.paint == number, 2 * n : 2 * n + 2] = by_court[g.paint == number]
        paint.append(block)
    by_camera = _by_camera(camera, groups, motion) @ root
    common = np.concatenate([by_camera, np.concatenate(paint)], axis=1)
    return _Linear(np.concatenate(residual), np.concatenate(by_motion), np.concatenate(spread), common)


def _by_camera(camera: Camera, groups: Sequence[Shifts], motion: Rigid) -> Array:
    """(M, 18) derivative of the predicted positions by the registered camera's PARAMETERS, central differences."""
    used, out = camera.used_parameters(), np.zeros((sum(len(g) for g in groups), N_CAMERA))
    size = np.concatenate([[0.5] * 4, [1e-4] * 8, [1e-5] * 3, [1e-4] * 3])  # pixels, lens terms, rad, m
    for j in np.flatnonzero(used):
        sides = []
        for sign in (1.0, -1.0):
            other = moved(camera, sign * size[j] * np.eye(N_CAMERA)[j])
            standing = new_camera(other, motion)
            sides.append(
                np.concatenate([(g.normal * standing.project(g.x_still_m(other))).sum(axis=1) for g in groups])
            )
        out[:, j] = np.nan_to_num((sides[0] - sides[1]) / (2 * size[j]))
    return out


def _solved(linear: _Linear, variance: Array) -> tuple[Array, Array]:
    """Step (6,) and gain (6, M): generalised least squares, errors D + common commonᵀ (Woodbury's identity)."""
    weighted = linear.by_motion / variance[:, None]
    c = linear.common
    inner = np.eye(c.shape[1]) + c.T @ (c / variance[:, None])
    cross = c.T @ weighted
    # Aᵀ S⁻¹, with S = D + C Cᵀ
    left = weighted.T - cross.T @ np.linalg.solve(inner, c.T) / variance
    normal = left @ linear.by_motion
    d = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * np.outer(d, d)
    if not np.isfinite(scaled).all() or np.linalg.eigvalsh(scaled)[0] < 1e-9:
        raise NotMeasurable("the places found again leave the camera's motion open")
    gain = d[:, None] * np.linalg.solve(scaled, d[:, None] * left)
    return gain @ linear.residual, gain


def _inflation(
    camera: Camera, uv: Array, linear: _Linear, variance: Array, gain: Array, step: Array
) -> tuple[float, int]:
    """How much wider the result scatters than independent shifts would let it, and the number of tiles.

    Shade, compression and swaying leaves move neighbouring patches together. The sum of each tile's pull on the
    result, squared over tiles, is the covariance that allows for that (Liang KY, Zeger SL (1986), Biometrika 73:13);
    its mean ratio to the plain covariance, never below one, scales the plain one.
    """
    width, height = camera.size_px
    tile = (uv[:, 0] / width * _TILES[0]).astype(int) * _TILES[1] + (uv[:, 1] / height * _TILES[1]).astype(int)
    left = linear.residual - linear.by_motion @ step
    pulls = np.array([(gain[:, tile == t] @ left[tile == t]) for t in np.unique(tile)])
    count = len(pulls)
    if count <= len(step):
        return 1.0, count
    plain = (gain * variance) @ gain.T
    d = 1 / np.sqrt(np.diag(plain))
    ratio = np.linalg.solve(plain * np.outer(d, d), (pulls.T @ pulls) * np.outer(d, d))
    return max(1.0, float(np.trace(ratio)) / len(step) * count / (count - len(step))), count
