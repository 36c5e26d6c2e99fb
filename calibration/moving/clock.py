"""One camera's clock against another's, to a small part of a frame, from a board that both see moving."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calibration.board import Board
from calibration.checks import Array
from calibration.geometry.camera import N_LENS, POSE, Camera
from calibration.geometry.rigid import Rigid
from calibration.holds import cam_from_board, half_turn
from calibration.moving.track import BoardTrack, TrackSample

_INSTANTS = 480  # more cost time; each stands for the few frames that its local fit reaches over
_LEAST_INSTANTS = 40
_PHASE_STEP, _STRATUM_STEP = 0.754877666, 0.569840291
"""Irrational steps that fill the unit square evenly (powers of the root of x^3 = x + 1, reversed)."""
_RATE_U = 1e-3  # quartz clocks differ by 50 ppm at most; a file's wrong nominal rate (30 for 29.97) by 1000 ppm
_CAUCHY_SIGMAS = 3.0  # as in the joint solver
_MOST_SPREAD = 1.5  # ends of a track, where the cubic is loose, tell little and pull at the rest
_BLOCKS = 16  # stretches left out one at a time: long against a swing of the board, many enough to tell u
_LEAST_BLOCKS = 4
_STEPS = 15
_SETTLED_S = 1e-7
_LONGEST_STEP_S = 0.05
_DAMPING = 1e-6  # keeps a board pose that one steep view hardly fixes from leaping
_TINY = 1e-9  # a solvable system where no instant was left
_CLOCK = 6  # unknowns: turn and shift of the placement, offset, rate, both lenses
_LENS = (slice(8, 8 + N_LENS), slice(8 + N_LENS, 8 + 2 * N_LENS))
_UNKNOWNS = 8 + 2 * N_LENS
_LENS_U_PX = 1.0  # what one lens parameter may be wrong by, at the corners of the picture


@dataclass(frozen=True, slots=True)
class BoardClock:
    """A camera's clock against a reference: t_ref = t + offset_s + rate * (t - at_s).

    u_offset_s  standard uncertainty at t = at_s, the middle of what was seen; u_rate that of the rate
    """

    offset_s: float = 0.0
    rate: float = 0.0
    at_s: float = 0.0
    u_offset_s: float = 0.0
    u_rate: float = 0.0

    def to_reference(self, t_s: Array) -> Array:
        """Times of the reference clock for times (...,) of this camera's clock."""
        return np.asarray(t_s + self.offset_s + self.rate * (t_s - self.at_s))

    def from_reference(self, t_s: Array) -> Array:
        """Times of this camera's clock for times (...,) of the reference clock."""
        return self.inverse().to_reference(t_s)

    def u_s(self, t_s: float) -> float:
        """Standard uncertainty at time t_s of this camera's clock."""
        return float(np.hypot(self.u_offset_s, self.u_rate * (t_s - self.at_s)))

    def inverse(self) -> BoardClock:
        """The reference's clock against this one."""
        return BoardClock(
            -self.offset_s,
            -self.rate / (1 + self.rate),
            self.at_s + self.offset_s,
            self.u_offset_s,
            self.u_rate,
        )

    def after(self, outer: BoardClock) -> BoardClock:
        """This clock against outer's reference, where outer is the clock that this one refers to."""
        there_s = self.at_s + self.offset_s
        offset_s = self.offset_s + float(outer.to_reference(np.array(there_s))) - there_s
        rate = (1 + self.rate) * (1 + outer.rate) - 1
        u = float(np.hypot(self.u_offset_s, outer.u_s(there_s)))
        return BoardClock(offset_s, rate, self.at_s, u, float(np.hypot(self.u_rate, outer.u_rate)))


@dataclass(frozen=True, slots=True, eq=False)
class PairClock:
    """b's clock against a's, and what came with it.

    b_from_a   placement of the two cameras
    instants   number of instants that it rests on
    rms_px     how far corners usually lie from one rigid board seen by both, in one coordinate
    """

    clock: BoardClock
    b_from_a: Rigid
    instants: int
    rms_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    clock: BoardClock
    b_from_a: Rigid
    cameras: tuple[Camera, Camera]  # with their lenses as they stand; poses are not used
    R: Array  # (T, 3, 3) board poses in camera a
    t: Array  # (T, 3)


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Two tracks of one board, sampled where both cameras have it."""

    a: TrackSample
    b: BoardTrack
    camera_a: Camera
    camera_b: Camera
    board: Board
    sigma_px: tuple[float, float]


def refine_clock(
    a: BoardTrack, b: BoardTrack, cameras: tuple[Camera, Camera], board: Board, offset_s: float, b_from_a: Rigid
) -> PairClock | None:
    """Offset and rate of b's clock from a start within a few frames; None where too little is seen together.

    At instants of a's clock, at and between its frames, both cameras' corners are interpolated and
    compared with one rigid board, whose pose at each instant is eliminated. Unknowns: the clock, the placement,
    and both lenses within a pixel, so that their errors do not pass for a shift in time. u comes from leaving
    out one stretch of time at a time (jackknife) and is never less than the formal one. All phases of a frame,
    because interpolated noise is larger at frames than between them, which would pull the clock.
    Sources: Triggs B et al. (1999), Bundle adjustment - a modern synthesis; Efron B (1982), The jackknife, the
    bootstrap and other resampling plans, SIAM.
    """
    placed = tuple(c.placed(Rigid.identity(f"cam_{c.name}", f"cam_{c.name}")) for c in cameras)
    times = _times(a, b, offset_s)
    if times is None:
        return None
    clock = BoardClock(offset_s, 0.0, float(np.mean(times)) - offset_s)
    pair = _Pair(a.at(times), b, placed[0], placed[1], board, (a.sigma_px, b.sigma_px))
    state, prior = _start(pair, clock, b_from_a), _prior(pair)
    for _ in range(_STEPS):
        equations = _equations(pair, state)
        pull = equations.gradient.sum(axis=0) - prior @ _from_prior(pair, state)
        step = np.linalg.solve(equations.normal.sum(axis=0) + prior, pull)
        state = _stepped(state, equations, step)
        if abs(step[_CLOCK]) < _SETTLED_S:
            break
    equations = _equations(pair, state)
    u = _uncertainty(equations, prior, prior @ _from_prior(pair, state))
    if u is None:
        return None
    clock = replace(state.clock, u_offset_s=u[0], u_rate=u[1])
    return PairClock(clock, state.b_from_a, len(times), equations.rms_px)


def _times(a: BoardTrack, b: BoardTrack, offset_s: float) -> Array | None:
    """Instants on a's clock at which both cameras have the board well, unevenly spaced, at all phases.

    Even spacing near the board's bounce would meet it always at the same place, where smoothing shifts it one
    way: that cost 0.4 ms on an invented walk. Source of the sequence: Weyl H (1916), Math Ann 77:313-352.
    """
    count = len(a.t_s) - 1
    phase = (np.arange(count) * _PHASE_STEP) % 1.0
    times = a.t_s[:-1] + np.diff(a.t_s) * phase
    good = np.ones(count, dtype=bool)
    for track, shift in ((a, 0.0), (b, offset_s)):
        good &= np.nan_to_num(track.at(times - shift).spread, nan=np.inf).max(axis=1) < _MOST_SPREAD
    rows = np.flatnonzero(good)
    if len(rows) < _LEAST_INSTANTS:
        return None
    n = min(len(rows), _INSTANTS)
    strata = (np.arange(n) + (np.arange(n) * _STRATUM_STEP) % 1.0) / n
    return np.asarray(times[rows[np.unique((strata * len(rows)).astype(int))]])


def _start(pair: _Pair, clock: BoardClock, b_from_a: Rigid) -> _State:
    """Board poses from either camera alone, whichever the other one agrees with: a flat board's pose from one
    picture has a mirror image."""
    count = len(pair.a.t_s)
    cameras = (pair.camera_a, pair.camera_b)
    state = _State(clock, b_from_a, cameras, np.tile(np.eye(3), (count, 1, 1)), np.zeros((count, 3)))
    seen_a = pair.a.seen()
    for i in np.flatnonzero(seen_a):
        pose = cam_from_board(pair.camera_a, pair.board, pair.a.uv_px[i])
        state.R[i], state.t[i] = pose.R, pose.t_m
    seen_b = _seen_by_b(pair, state)
    placed = pair.camera_b.placed(b_from_a)
    for i in np.flatnonzero(seen_a & seen_b.seen()):
        pose_a = Rigid(state.R[i], state.t[i], b_from_a.src, "board")
        pose_b = b_from_a.inverse() @ cam_from_board(pair.camera_b, pair.board, seen_b.uv_px[i])
        errors = []
        for pose in (pose_a, pose_b):
            x = pose.apply(pair.board.points_m())
            misses = (pair.camera_a.project(x) - pair.a.uv_px[i], placed.project(x) - seen_b.uv_px[i])
            errors.append(float(np.nan_to_num(np.abs(misses), nan=np.inf).sum()))
        if errors[1] < errors[0]:
            state.R[i], state.t[i] = pose_b.R, pose_b.t_m
    return state


def _seen_by_b(pair: _Pair, state: _State) -> TrackSample:
    """b's corners at the instants, in the order that a sees them in."""
    sample = pair.b.at(state.clock.from_reference(pair.a.t_s))
    if not pair.board.looks_alike_upside_down:
        return sample
    turn = turned(pair.camera_b, pair.board, sample.uv_px, state.b_from_a.R @ state.R)[:, None]
    uv = np.where(turn[..., None], sample.uv_px[:, ::-1], sample.uv_px)
    velocity = np.where(turn[..., None], sample.velocity_px_s[:, ::-1], sample.velocity_px_s)
    return replace(
        sample, uv_px=uv, velocity_px_s=velocity, spread=np.where(turn, sample.spread[:, ::-1], sample.spread)
    )


def turned(camera: Camera, board: Board, uv_px: Array, R: Array) -> NDArray[np.bool_]:
    """(T,) where a camera's corners (T, N, 2) are upside down against the expected turn R (T, 3, 3)."""
    out = np.zeros(len(uv_px), dtype=bool)
    for i in np.flatnonzero(np.isfinite(uv_px).all(axis=(1, 2))):
        pose = cam_from_board(camera, board, uv_px[i])
        straight, upside = (float(np.trace(p.R @ R[i].T)) for p in (pose, pose @ half_turn(board)))
        out[i] = upside > straight
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Equations:
    """Linearised corners of all instants.

    normal (T, U, U), gradient (T, U)  of the unknowns, with the board poses eliminated
    carry (T, 6, U), pose (T, 6)       pose step = pose - carry @ step
    rms_px                             residuals' usual size, one coordinate
    """

    normal: Array
    gradient: Array
    carry: Array
    pose: Array
    rms_px: float


def _equations(pair: _Pair, state: _State) -> _Equations:
    points = pair.board.points_m()
    rotated = np.einsum("tij,nj->tni", state.R, points)
    x = rotated + state.t[:, None]
    seen_b = _seen_by_b(pair, state)
    lever_s = state.clock.from_reference(pair.a.t_s) - state.clock.at_s
    cameras = (state.cameras[0], state.cameras[1].placed(state.b_from_a))
    parts, misses = [], []
    for camera, sample, sigma_px, lens in zip(cameras, (pair.a, seen_b), pair.sigma_px, _LENS, strict=True):
        uv, by_point, by_camera = camera.project_all(x)
        by_board = np.concatenate([-by_point @ _cross(rotated), by_point], axis=-1)
        by_clock = np.zeros((*uv.shape, _UNKNOWNS))
        by_clock[..., lens] = by_camera[..., :N_LENS]
        if camera is cameras[1]:
            by_clock[..., :_CLOCK] = by_camera[..., POSE]
            by_clock[..., _CLOCK] = sample.velocity_px_s
            by_clock[..., _CLOCK + 1] = sample.velocity_px_s * lever_s[:, None, None]
        parts.append((sample.uv_px - uv, sigma_px * sample.spread, by_clock, by_board))
        misses.append(sample.uv_px - uv)
    whole = seen_b.seen() & pair.a.seen() & np.isfinite(misses).all(axis=(0, 2, 3))
    scaled = np.concatenate([r[whole] / s[whole][..., None] for r, s, _, _ in parts])
    scale = max(1.0, 1.4826 * float(np.median(np.abs(scaled)))) if scaled.size else 1.0
    rows = [_weighted(r, s * scale, g, p, whole) for r, s, g, p in parts]
    by_clock, by_board, residual = (np.concatenate(part, axis=1) for part in zip(*rows, strict=True))
    rms_px = 1.4826 * float(np.median(np.abs(np.array(misses)[:, whole]))) if whole.any() else np.inf
    return _eliminated(by_clock, by_board, residual, whole, rms_px)


def _weighted(
    residual: Array, sigma: Array, by_clock: Array, by_board: Array, whole: NDArray[np.bool_]
) -> tuple[Array, Array, Array]:
    """Rows (T, 2 N, ...) divided by their noise, with a robust weight per corner; zero where not whole."""
    count = len(residual)
    far2 = (residual**2).sum(axis=-1) / sigma**2
    root = np.where(whole[:, None], 1 / (sigma * np.sqrt(1 + far2 / _CAUCHY_SIGMAS**2)), 0.0)[..., None]
    return (
        (np.where(whole[:, None, None, None], by_clock, 0.0) * root[..., None]).reshape(count, -1, _UNKNOWNS),
        (np.where(whole[:, None, None, None], by_board, 0.0) * root[..., None]).reshape(count, -1, 6),
        (np.where(whole[:, None, None], residual, 0.0) * root).reshape(count, -1),
    )


def _eliminated(
    by_clock: Array, by_board: Array, residual: Array, whole: NDArray[np.bool_], rms_px: float
) -> _Equations:
    pp = np.einsum("tki,tkj->tij", by_board, by_board)
    pp = np.where(whole[:, None, None], pp * (1 + _DAMPING * np.eye(6)), np.eye(6))
    gp = np.einsum("tki,tkj->tij", by_clock, by_board)
    inverse = np.linalg.inv(pp)
    carry = inverse @ np.swapaxes(gp, 1, 2)
    pose = np.einsum("tij,tkj,tk->ti", inverse, by_board, residual, optimize=True)
    normal = np.einsum("tki,tkj->tij", by_clock, by_clock) - gp @ carry
    gradient = np.einsum("tki,tk->ti", by_clock, residual) - np.einsum("tij,tj->ti", gp, pose)
    return _Equations(normal, gradient, carry, pose, rms_px)


def _cross(v: Array) -> Array:
    """(..., 3, 3) matrix of v x."""
    m = np.zeros((*v.shape, 3))
    m[..., 0, 1], m[..., 0, 2], m[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    return m - np.swapaxes(m, -1, -2)


def _stepped(state: _State, equations: _Equations, step: Array) -> _State:
    """All unknowns moved by one Gauss-Newton step."""
    poses = equations.pose - equations.carry @ step
    turn = Rotation.from_rotvec(step[:3]) * Rotation.from_matrix(state.b_from_a.R)
    placement = Rigid(turn.as_matrix(), state.b_from_a.t_m + step[3:6], state.b_from_a.dst, state.b_from_a.src)
    offset_s = state.clock.offset_s + float(np.clip(step[_CLOCK], -_LONGEST_STEP_S, _LONGEST_STEP_S))
    clock = replace(state.clock, offset_s=offset_s, rate=state.clock.rate + float(step[_CLOCK + 1]))
    a, b = (c.with_lens(c.lens_vector() + step[lens]) for c, lens in zip(state.cameras, _LENS, strict=True))
    R = (Rotation.from_rotvec(poses[:, :3]) * Rotation.from_matrix(state.R)).as_matrix()
    return _State(clock, placement, (a, b), R, state.t + poses[:, 3:])


def _uncertainty(equations: _Equations, prior: Array, pull: Array) -> tuple[float, float] | None:
    """(u of the offset, u of the rate); None where too few stretches of time tell anything."""
    telling = np.flatnonzero(equations.normal[:, _CLOCK, _CLOCK] > 0)
    blocks = np.array_split(telling, min(_BLOCKS, len(telling) // 4))
    if len(blocks) < _LEAST_BLOCKS:
        return None
    total_n, total_g = equations.normal.sum(axis=0) + prior, equations.gradient.sum(axis=0) - pull
    without = np.array([
        np.linalg.solve(total_n - equations.normal[k].sum(axis=0), total_g - equations.gradient[k].sum(axis=0))
        for k in blocks
    ])[:, _CLOCK : _CLOCK + 2]  # fmt: skip
    n = len(blocks)
    jackknife = np.sqrt((n - 1) / n * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    u = np.maximum(jackknife, np.sqrt(np.diag(np.linalg.inv(total_n)))[_CLOCK : _CLOCK + 2])
    return float(u[0]), float(u[1])


def _prior(pair: _Pair) -> Array:
    """Information (U, U) on the rate and the lenses; the placement's is only to keep the system solvable."""
    known = np.full(_UNKNOWNS, _TINY)
    known[_CLOCK + 1] = 1 / _RATE_U**2
    for camera, lens in zip((pair.camera_a, pair.camera_b), _LENS, strict=True):
        width, height = camera.size_px
        n = camera.normalised(np.array([[0.0, 0.0], [width, 0], [0, height], [width, height]]) * 0.98)
        x = np.concatenate([n, np.ones((4, 1))], axis=1)
        at_eye = camera.placed(Rigid.identity(camera.cam_from_world.dst, "eye"))
        most = np.abs(at_eye.project_all(x)[2][..., :N_LENS]).max(axis=(0, 1))
        known[lens] = np.where(camera.used_parameters()[:N_LENS], (most / _LENS_U_PX) ** 2, 1.0)
    return np.diag(known)


def _from_prior(pair: _Pair, state: _State) -> Array:
    """(U,) how far the unknowns have moved from what was known beforehand."""
    off = np.zeros(_UNKNOWNS)
    off[_CLOCK + 1] = state.clock.rate
    for was, now, lens in zip((pair.camera_a, pair.camera_b), state.cameras, _LENS, strict=True):
        off[lens] = now.lens_vector() - was.lens_vector()
    return off
