"""The motion of one camera since it was registered, by maximum likelihood from measured shifts.

Unknown: the six numbers of the motion. The registered camera (18 parameters with their covariance), the paint's
laying errors and the distance of things off the court are nuisances: they are not estimated again, their
uncertainty enters the weights and the result (a Schmidt or "consider" estimate; Schmidt SF (1966), Application
of state-space methods to navigation problems). To first order a shift between two pictures does not depend on
the registered camera at all while the motion is small; that is what makes a small nudge visible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
_N_SPREAD = 1 + _TILES[0] * _TILES[1]
_TILE_U_PX = 0.03  # shade and compression shift neighbouring places together by this much; from rendered days
_LEAST_SHIFT_M = 0.005  # how far things off the court are trusted is judged for a shift of at least this much
_OWN_SHARE = 0.5  # of the range of distances for each thing by itself, beside what neighbours share
_LEAST_SHIFTS, _LEAST_TILES = 24, 10


@dataclass(frozen=True, slots=True, eq=False)
class MotionFit:
    """What a fit leaves behind.

    motion       new camera from "still"
    noise        (6, 6) covariance of (turn, shift) from the measurements alone; turn on the left in the
                 camera's frame, shift in metres along its axes
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
    """One linearisation: residual (M,), by_motion (M, 6), spread (M,) px of things whose distance is half
    known,

    and common (M, C): errors that shifts share, one column per standard deviation.
    """

    residual: Array
    by_motion: Array
    spread: Array
    common: Array


def fit_motion(
    camera: Camera, camera_covariance: Array, groups: Sequence[Shifts], start: Rigid, paint_u_m: float
) -> MotionFit:
    """The most likely motion near `start`.

    camera_covariance (18, 18). Raises NotMeasurable where the shifts are too few, in one place, or do not
    agree.
    """
    groups = [g for g in groups if len(g)]
    u = np.concatenate([g.u_px for g in groups]) if groups else np.zeros(0)
    if len(u) < _LEAST_SHIFTS:
        raise NotMeasurable(
            f"only {len(u)} places of the picture could be found again; {_LEAST_SHIFTS} are needed"
        )
    kinds = np.repeat(np.arange(len(groups), dtype=np.int64), [len(g) for g in groups])
    motion, width, shared = start, np.inf, np.zeros(0)
    problem = _Problem.of(camera, camera_covariance, groups, paint_u_m)
    by_camera = problem.by_camera(motion)
    for step_number in range(_STEPS):
        # a rough start says nothing of the shift yet, so things off the court get little say in it
        linear = problem.linearised(motion, by_camera, 1.0 if step_number > 2 else 4.0)
        own = np.abs(linear.residual - linear.common @ shared if len(shared) else linear.residual)
        scale = _scales(own / np.sqrt(u**2 + linear.spread**2), kinds, len(groups))
        variance = (scale[kinds] * u) ** 2 + linear.spread**2
        z = own / np.sqrt(variance)
        width = max(_ROBUST_SIGMAS, min(width, 3 * float(np.median(z))))
        step, _, shared = _solved(linear, variance * (1 + (z / width) ** 2))
        motion = nudged(motion, step)
        if step_number > 4 and np.abs(step).max() < 1e-7:
            break
    by_camera = problem.by_camera(motion)
    linear = problem.linearised(motion, by_camera)
    variance = (scale[kinds] * u) ** 2 + linear.spread**2
    used = np.abs(linear.residual - linear.common @ shared) < _GATE_SIGMAS * np.sqrt(variance)
    return _finished(problem, motion, linear, variance, used, scale, by_camera)


def _finished(
    problem: _Problem,
    motion: Rigid,
    linear: _Linear,
    variance: Array,
    used: NDArray[np.bool_],
    scale: Array,
    by_camera: Array,
) -> MotionFit:
    """The last linear step over the shifts that agree, and its covariance."""
    if used.sum() < _LEAST_SHIFTS:
        raise NotMeasurable("the places found again do not agree on one motion of the camera")
    part = _Linear(linear.residual[used], linear.by_motion[used], linear.spread[used], linear.common[used])
    step, gain, shared = _solved(part, variance[used])
    motion = nudged(motion, step)
    left = linear.residual - linear.by_motion @ step - linear.common @ shared
    noise = (gain * variance[used]) @ gain.T
    painted = gain @ part.common[:, problem.root.shape[1] :]
    uv = np.concatenate([g.uv_px for g in problem.groups])[used]
    inflation, tiles = _inflation(_tiles(problem.camera, uv), left[used], variance[used], gain)
    if tiles < _LEAST_TILES:
        raise NotMeasurable(
            f"what was found again lies in {tiles} parts of the picture; {_LEAST_TILES} are needed"
        )
    cuts = np.cumsum([len(g) for g in problem.groups])[:-1]
    return MotionFit(
        motion, inflation * noise + painted @ painted.T, -gain @ by_camera[used], tuple(map(float, scale)),
        tuple(np.split(used, cuts)), tuple(np.split(left, cuts)), tiles,
    )  # fmt: skip


def _scales(z: Array, kinds: NDArray[np.int64], count: int) -> Array:
    """Robust scatter per kind (1.4826 median |z| is the standard deviation of a normal), never below a
    third.
    """
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


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """All that stays the same while the motion is sought. x_still_m: per group, the things' places (K, 3)."""

    camera: Camera
    groups: tuple[Shifts, ...]
    x_still_m: tuple[Array, ...]
    root: Array
    paint_u_m: float

    @classmethod
    def of(cls, camera: Camera, covariance: Array, groups: Sequence[Shifts], paint_u_m: float) -> _Problem:
        x = tuple(g.x_still_m(camera) for g in groups)
        return cls(camera, tuple(groups), x, _root(covariance), paint_u_m)

    def linearised(self, motion: Rigid, by_camera: Array, caution: float = 1.0) -> _Linear:
        """Residuals and derivatives. caution stretches what is not known of things off the court."""
        standing = new_camera(self.camera, motion)
        residual, by_motion, spread, shared = [], [], [], []
        numbers = sorted({int(p) for g in self.groups for p in g.paint if p >= 0})
        shift_m = caution * max(float(np.linalg.norm(motion.t_m)), _LEAST_SHIFT_M)
        for g, x in zip(self.groups, self.x_still_m, strict=True):
            uv, by_point, by_parameter = standing.project_all(x)
            predicted = (g.normal * uv).sum(axis=1)
            bad = ~np.isfinite(predicted)
            residual.append(np.where(bad, 1e3, g.at_px - predicted))
            along = np.einsum("ki,kij->kj", g.normal, by_parameter[..., POSE])
            by_motion.append(np.where(bad[:, None], 0.0, along))
            by_x = np.einsum("ki,kij->kj", g.normal, np.where(bad[:, None, None], 0.0, by_point))
            apart = by_x * np.nan_to_num(g.nearness_u / g.nearness)[:, None] * shift_m
            spread.append(_OWN_SHARE * np.linalg.norm(apart, axis=1))
            painted = _by_paint(g, by_x @ self.camera.cam_from_world.R, numbers) * self.paint_u_m
            tiled = _by_tile(self.camera, g)
            shared.append(np.concatenate([_by_nearness(self.camera, g, apart), tiled, painted], axis=1))
        common = np.concatenate([by_camera @ self.root, np.concatenate(shared)], axis=1)
        return _Linear(np.concatenate(residual), np.concatenate(by_motion), np.concatenate(spread), common)

    def by_camera(self, motion: Rigid) -> Array:
        """(M, 18) derivative of the predicted positions by the registered camera's PARAMETERS, by
        differences.
        """
        size = np.concatenate([[0.1] * 4, [1e-5] * 8, [1e-6] * 3, [1e-5] * 3])  # pixels, lens terms, rad, m

        def positions(camera: Camera) -> Array:
            standing = new_camera(camera, motion)
            return np.concatenate(
                [(g.normal * standing.project(g.x_still_m(camera))).sum(axis=1) for g in self.groups]
            )

        here = positions(self.camera)
        out = np.zeros((len(here), N_CAMERA))
        for j in np.flatnonzero(self.camera.used_parameters()):
            out[:, j] = np.nan_to_num(
                (positions(moved(self.camera, size[j] * np.eye(N_CAMERA)[j])) - here) / size[j]
            )
        return out


def _by_nearness(camera: Camera, g: Shifts, apart: Array) -> Array:
    """(K, 3 (1 + tiles)) what the unknown distance of things off the court does, in standard deviations.

    A thing whose nearness is off by a share e moves as if the camera had shifted by (1 + e) times what it did.
    The direction of the shift is not known beforehand, so each axis has its own such error. Neighbouring things
    stand at like distances, and a whole row of trees is farther off than the middle of the range: the range
    counts once for the whole picture, once for each tile, and by _OWN_SHARE for each thing.
    """
    out = np.zeros((len(g), _N_SPREAD, 3))
    out[:, 0] = apart
    out[np.arange(len(g)), 1 + _tiles(camera, g.uv_px)] = apart
    return out.reshape(len(g), -1)


def _by_tile(camera: Camera, g: Shifts) -> Array:
    """(K, 2 tiles) what a displacement along u or v that a part of the picture shares does, per _TILE_U_PX."""
    out = np.zeros((len(g), _TILES[0] * _TILES[1], 2))
    out[np.arange(len(g)), _tiles(camera, g.uv_px)] = _TILE_U_PX * g.normal
    return out.reshape(len(g), -1)


def _by_paint(g: Shifts, by_court: Array, numbers: Sequence[int]) -> Array:
    """(K, 2 per painted thing) derivative of the positions by its place along x and y, px/m."""
    out = np.zeros((len(g), 2 * len(numbers)))
    if g.x_court_m is not None:
        for n, number in enumerate(numbers):
            mine = g.paint == number
            out[mine, 2 * n : 2 * n + 2] = by_court[mine, :2]
    return out


def _tiles(camera: Camera, uv: Array) -> NDArray[np.int64]:
    """(K,) number of the part of the picture that each pixel lies in."""
    at = np.floor(uv / np.array(camera.size_px) * _TILES).astype(int)
    at = np.clip(at, 0, np.array(_TILES) - 1)
    return np.asarray(at[:, 0] * _TILES[1] + at[:, 1])


def _solved(linear: _Linear, variance: Array) -> tuple[Array, Array, Array]:
    """Step (6,), gain (6, M) and the likeliest common errors (C,), in standard deviations.

    Generalised least squares with errors D + common commonᵀ, by Woodbury's identity.
    """
    weighted = linear.by_motion / variance[:, None]
    c = linear.common
    inner = np.eye(c.shape[1]) + c.T @ (c / variance[:, None])
    cross = c.T @ weighted
    # Aᵀ S⁻¹, with S = D + C Cᵀ; the inner matrix is symmetric, so it is solved for 6 columns and not for M
    left = weighted.T - np.linalg.solve(inner, cross).T @ c.T / variance
    normal = left @ linear.by_motion
    d = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * np.outer(d, d)
    if not np.isfinite(scaled).all() or np.linalg.eigvalsh(scaled)[0] < 1e-9:
        raise NotMeasurable("the places found again leave the camera's motion open")
    gain = d[:, None] * np.linalg.solve(scaled, d[:, None] * left)
    step = gain @ linear.residual
    after = linear.residual - linear.by_motion @ step
    return step, np.asarray(gain), np.asarray(np.linalg.solve(inner, c.T @ (after / variance)), dtype=float)


def _inflation(tile: NDArray[np.int64], left: Array, variance: Array, gain: Array) -> tuple[float, int]:
    """How much wider the result scatters than independent shifts would let it, and the number of tiles.

    Shade, compression and swaying leaves move neighbouring patches together. The sum of each tile's pull on the
    result, squared over tiles, is the covariance that allows for that (Liang KY, Zeger SL (1986), Biometrika
    73:13); its mean ratio to the plain covariance, never below one, scales the plain one.
    """
    pulls = np.array([gain[:, tile == t] @ left[tile == t] for t in np.unique(tile)])
    count, free = len(pulls), gain.shape[0]
    if count <= free:
        return 1.0, count
    plain = (gain * variance) @ gain.T
    d = 1 / np.sqrt(np.diag(plain))
    ratio = np.linalg.solve(plain * np.outer(d, d), (pulls.T @ pulls) * np.outer(d, d))
    return max(1.0, float(np.trace(ratio)) / free * count / (count - free)), count
