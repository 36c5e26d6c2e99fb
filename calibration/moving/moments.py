"""Moments of a moving board that are worth a view: spread over places and tilts, slow, and sure in time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.holds import cam_from_board
from calibration.moving.clock import BoardClock, turned
from calibration.moving.track import BoardTrack, TrackSample

_MOST_PER_PAIR = 30  # about as many views as a lens calibration uses; more change little and cost time
_APART_S = 0.3  # neighbours in time share their noise through the local fit, and show the same place anyway
_PLACE_M = 0.25  # one unit of difference between two moments: so far apart, ...
_TILT_RAD = np.deg2rad(15.0)  # ... or so much turned
_LEAST_DIFFERENCE = 0.6  # units; nearer ones repeat what is known
_MOST_SPREAD = 1.0  # interpolated corners may be no noisier than a single frame's
_MOST_MISFIT = 2.0  # of the local fit; beyond it the board jerked
_SLOW_SQUARES_PER_S = 3.0  # 0.3 m/s with 10 cm squares: a moment so fast counts half as much as a still one
_CANDIDATES = 400  # per pair


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One camera's part of a moment: corners (N, 2) px in the order of the moment's first camera, their image
    velocity (N, 2) px/s, and their noise over that of one corner in one frame."""

    uv_px: Array
    velocity_px_s: Array
    spread: float


@dataclass(frozen=True, slots=True, eq=False)
class Moment:
    """One instant of the reference clock, and every camera that saw the whole board then."""

    t_s: float
    seen: Mapping[str, Seen]


@dataclass(frozen=True, slots=True, eq=False)
class Watching:
    """A camera that watches the board: lens and pose in one common frame, track, and clock."""

    camera: Camera
    track: BoardTrack
    clock: BoardClock


def choose_moments(
    watching: Sequence[Watching], board: Board, known: Sequence[Rigid] = ()
) -> tuple[Moment, ...]:
    """Up to 30 moments per pair of cameras, each next one as different as can be from those that are there.

    known: world_from_board of views that exist already (still moments); they need no repeating.
    Each moment is a real frame of one camera of the pair; the others' corners are interpolated to it.
    Source of the choice: Gonzalez TF (1985), Theor Comput Sci 38:293-306 (farthest point first).
    """
    chosen: list[Moment] = []
    for a, b in combinations(watching, 2):
        times = _candidates(a, b)
        if not len(times):
            continue
        poses, speed = _poses(a, times, board), _speed(a, b, times)
        have = np.array([m.t_s for m in chosen if {a.camera.name, b.camera.name} <= set(m.seen)])
        there = [*known, *_poses(a, have, board)]
        picked = _spread_out(
            np.array([_place(p, board) for p in poses]), speed, times,
            np.array([_place(p, board) for p in there]).reshape(-1, 12),
            np.array([m.t_s for m in chosen]), _MOST_PER_PAIR - len(have),
        )  # fmt: skip
        chosen += [_moment(float(times[i]), watching, poses[i], board) for i in picked]
    return tuple(sorted(chosen, key=lambda m: m.t_s))


def _at(one: Watching, t_s: Array) -> TrackSample:
    return one.track.at(one.clock.from_reference(t_s))


def _good(sample: TrackSample) -> NDArray[np.bool_]:
    """(T,) where a camera's corners are whole, sure and steady."""
    spread = np.nan_to_num(sample.spread, nan=np.inf).max(axis=1)
    return np.asarray((spread <= _MOST_SPREAD) & (np.nan_to_num(sample.misfit, nan=np.inf) < _MOST_MISFIT))


def _candidates(a: Watching, b: Watching) -> Array:
    """Reference times of a's real frames at which both cameras see the board well."""
    times = a.clock.to_reference(a.track.t_s)
    times = times[_good(_at(a, times)) & _good(_at(b, times))]
    chosen = np.unique(np.linspace(0, len(times) - 1, min(len(times), _CANDIDATES)).round().astype(int))
    return np.asarray(times[chosen]) if len(times) else times


def _poses(one: Watching, times: Array, board: Board) -> list[Rigid]:
    """world_from_board as this camera alone sees it."""
    world = one.camera.cam_from_world.inverse()
    return [world @ cam_from_board(one.camera, board, uv) for uv in _at(one, times).uv_px]


def _place(pose: Rigid, board: Board) -> Array:
    """(12,) place and turn, so that distances between two count in units."""
    turn = pose.R.copy()
    if board.looks_alike_upside_down and turn[0, 0] < 0:
        turn = turn @ np.diag([-1.0, -1.0, 1.0])
    # |R1 - R2| = 2 sqrt(2) sin(angle / 2), nearly sqrt(2) angle
    return np.concatenate([pose.apply(board.centre_m()) / _PLACE_M, turn.ravel() / (np.sqrt(2) * _TILT_RAD)])


def _speed(a: Watching, b: Watching, times: Array) -> Array:
    """(T,) the faster camera's image speed in squares of the board per second."""
    out = []
    for one in (a, b):
        sample = _at(one, times)
        square = np.linalg.norm(np.diff(sample.uv_px[:, :2], axis=1)[:, 0], axis=-1)
        out.append(np.linalg.norm(sample.velocity_px_s, axis=-1).mean(axis=1) / square)
    return np.asarray(np.max(out, axis=0))


def _spread_out(places: Array, speed: Array, times: Array, there: Array, taken: Array, most: int) -> list[int]:
    """Indices of the chosen candidates: far from the places `there`, not at the times `taken`."""
    slow = 1 / (1 + speed / _SLOW_SQUARES_PER_S)
    nearest = np.full(len(places), 10.0)  # farther apart counts no more
    for place in there:
        nearest = np.minimum(nearest, np.linalg.norm(places - place, axis=1))
    free = np.ones(len(places), dtype=bool)
    for t in taken:
        free &= np.abs(times - t) > _APART_S
    picked: list[int] = []
    while len(picked) < most and (free & (nearest > _LEAST_DIFFERENCE)).any():
        i = int(np.where(free & (nearest > _LEAST_DIFFERENCE), nearest * slow, -1.0).argmax())
        picked.append(i)
        nearest = np.minimum(nearest, np.linalg.norm(places - places[i], axis=1))
        free &= np.abs(times - times[i]) > _APART_S
    return picked


def _moment(t_s: float, watching: Sequence[Watching], pose: Rigid, board: Board) -> Moment:
    seen: dict[str, Seen] = {}
    for one in watching:
        sample = _at(one, np.array([t_s]))
        if not _good(sample)[0]:
            continue
        uv, velocity = sample.uv_px[0], _smooth(sample.velocity_px_s[0], board)
        expected = (one.camera.cam_from_world.R @ pose.R)[None]
        if board.looks_alike_upside_down and turned(one.camera, board, sample.uv_px, expected)[0]:
            uv, velocity = uv[::-1], velocity[::-1]
        seen[one.camera.name] = Seen(uv, velocity, float(np.sqrt((sample.spread[0] ** 2).mean())))
    return Moment(t_s, seen)


def _smooth(velocity: Array, board: Board) -> Array:
    """Image velocities (N, 2) as a quadratic function of the place on the board.

    A rigid plane's flow is quadratic in the picture, and nearly so on a board that is small against its
    distance; a third of the single corners' noise is left. Source: Longuet-Higgins HC, Prazdny K (1980), Proc R
    Soc Lond B 208:385-397.
    """
    x, y = (board.points_m() / board.square_m - board.centre_m() / board.square_m)[:, :2].T
    basis = np.linalg.qr(np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y]))[0]
    return np.asarray(basis @ (basis.T @ velocity))
