"""How a racket is turned about its long axis, roughly: the cheapest path over all turns, both sides alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import EDGES, Clocks, Motion, Tracks2D

_TURNS = 72  # over half a turn: 2.5 degrees, 5 mm at the head's edge
_LOOSE_M = 0.02  # of the head's size and place before they are known
_CAP2 = 16.0
_TURN_RAD_S = 30.0  # how fast a racket turns about its axis in a serve, order of magnitude


@dataclass(frozen=True, slots=True, eq=False)
class Axis:
    """The racket's long axis over time: butt, butt → tip, and two directions across that turn with it but not
    about it; each (N, 3)."""

    butt_m: Array
    way: Array
    first: Array
    second: Array

    def across(self, roll_rad: Array) -> Array:
        """(N, 3) unit vectors across the axis, towards the first edge."""
        return np.asarray(np.cos(roll_rad)[..., None] * self.first + np.sin(roll_rad)[..., None] * self.second)


def axis_of(butt_m: Array, tip_m: Array, first: Array | None = None) -> Axis:
    """From both ends (T, 3), NaN where absent; first (T, 3): a direction across to keep to, where there is one.

    Without one, the direction of the instant before is carried on by the shortest way (Bishop's frame).
    """
    with np.errstate(invalid="ignore"):
        way = tip_m - butt_m
        way = way / np.linalg.norm(way, axis=-1, keepdims=True)
    if first is None:
        first = np.full_like(way, np.nan)
        last = np.array([1.0, 0.0, 0.0])
        for k in np.flatnonzero(np.isfinite(way).all(axis=1)):
            last = last - (last @ way[k]) * way[k]
            if np.linalg.norm(last) < 1e-6:
                last = np.cross(way[k], [0.0, 1.0, 0.0])
            last = last / np.linalg.norm(last)
            first[k] = last
    else:
        first = first - (first * way).sum(axis=-1, keepdims=True) * way
        first = first / np.linalg.norm(first, axis=-1, keepdims=True)
    return Axis(butt_m, way, first, np.cross(way, first))


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """Patches of edge tape with the racket's axis at their own times.

    camera (M,), uv_px (M, 2), sigma_px (M,), before (M,) and share (M,): the motion's instant before, and how
    far it is on to the next; axis: M long
    """

    camera: NDArray[np.intp]
    uv_px: Array
    sigma_px: Array
    before: NDArray[np.intp]
    share: Array
    axis: Axis

    def __len__(self) -> int:
        return len(self.sigma_px)


def sightings(
    cameras: Sequence[Camera], edges: Tracks2D, clocks: Clocks, motion: Motion, axis: Axis
) -> Sightings:
    """All patches seen while the racket's axis was known on both sides in time."""
    found: list[tuple[Array, ...]] = []
    for c, camera in enumerate(cameras):
        seen = edges.of(camera.name)
        columns = [edges.index(name) for name in EDGES]
        uv, sigma = seen.uv_px[:, columns], seen.sigma_px[:, columns]
        t = clocks.of(camera.name).rig_time(seen.t_cam_s, np.nan_to_num(uv), camera.size_px)
        there = np.isfinite(sigma)
        found.append((np.full(there.sum(), c), uv[there], sigma[there], t[there]))
    camera_of, uv, sigma, t = (np.concatenate(parts) for parts in zip(*found, strict=True))
    grid = motion.t_s
    before = np.clip(np.searchsorted(grid, t, side="right") - 1, 0, len(grid) - 2)
    share = (t - grid[before]) / (grid[before + 1] - grid[before])
    butt, tip = (_between(motion, name, before, share) for name in ("racket_butt", "racket_tip"))
    first = (1 - share[:, None]) * axis.first[before] + share[:, None] * axis.first[before + 1]
    own = axis_of(butt, tip, first)
    ok = np.isfinite(own.first).all(axis=1) & (share >= 0) & (share <= 1)
    own = Axis(own.butt_m[ok], own.way[ok], own.first[ok], own.second[ok])
    return Sightings(camera_of[ok].astype(np.intp), uv[ok], sigma[ok], before[ok], share[ok], own)


def _between(motion: Motion, name: str, before: NDArray[np.intp], share: Array) -> Array:
    """(M, 3) of one point between instants: the cubic with its places and velocities there."""
    p, after, s = motion.index(name), before + 1, share[:, None]
    x, v = motion.xyz_m[:, p], motion.velocity_m_s[:, p]
    step = (motion.t_s[after] - motion.t_s[before])[:, None]
    return np.asarray(
        (2 * s**3 - 3 * s**2 + 1) * x[before] + (s**3 - 2 * s**2 + s) * step * v[before]
        + (3 * s**2 - 2 * s**3) * x[after] + (s**3 - s**2) * step * v[after]
    )  # fmt: skip


def projected(cameras: Sequence[Camera], camera_of: NDArray[np.intp], xyz_m: Array) -> tuple[Array, Array]:
    """Pixels (M, ..., 2) and their Jacobians (M, ..., 2, 3) of points (M, ..., 3), each in its own camera."""
    uv, J = np.full((*xyz_m.shape[:-1], 2), np.nan), np.zeros((*xyz_m.shape[:-1], 2, 3))
    for c, camera in enumerate(cameras):
        own = camera_of == c
        if own.any():
            uv[own], J[own] = camera.project_with_jacobian(xyz_m[own])
    return uv, J


def rough_roll(cameras: Sequence[Camera], seen: Sightings, t_s: Array, centre_m: float, half_m: float) -> Array:
    """(T,) the turn about the axis, unwrapped: the path of least squared misses and least turning.

    A patch may be either edge, so turns that are half a turn apart are one; which patches are wrong is not
    known, so one counts up to 16 squared sigmas.
    """
    turns: Array = np.linspace(0.0, np.pi, _TURNS, endpoint=False, dtype=np.float64)
    middle = seen.axis.butt_m + centre_m * seen.axis.way
    _, J = projected(cameras, seen.camera, middle)
    scale = np.linalg.norm(J, axis=(1, 2)) / np.sqrt(2)
    variance = seen.sigma_px**2 + (_LOOSE_M * scale) ** 2
    cost = np.zeros((len(t_s), _TURNS))
    nearest = seen.before + (seen.share > 0.5)
    for g, turn in enumerate(turns):
        reach = half_m * seen.axis.across(np.full(len(seen), turn))
        both = np.stack([middle + reach, middle - reach], axis=1)
        uv, _ = projected(cameras, seen.camera, both)
        miss2 = ((uv - seen.uv_px[:, None]) ** 2).sum(axis=2).min(axis=1) / variance
        np.add.at(cost[:, g], nearest, np.minimum(np.nan_to_num(miss2, nan=_CAP2), _CAP2))
    path = turns[_cheapest(cost, turns, _TURN_RAD_S * float(np.median(np.diff(t_s))))]
    steps = (np.diff(path) + np.pi / 2) % np.pi - np.pi / 2
    return np.concatenate([path[:1], path[0] + np.cumsum(steps)])


def _cheapest(cost: Array, turns: Array, spread: float) -> NDArray[np.intp]:
    """(T,) indices of the cheapest path, by dynamic programming over all turns."""
    apart = (turns[:, None] - turns[None] + np.pi / 2) % np.pi - np.pi / 2
    turning = (apart / spread) ** 2
    came = np.zeros(cost.shape, dtype=np.intp)
    total = cost[0]
    for k in range(1, len(cost)):
        through = total[None] + turning
        came[k] = through.argmin(axis=1)
        total = cost[k] + through.min(axis=1)
    path = np.zeros(len(cost), dtype=np.intp)
    path[-1] = int(total.argmin())
    for k in range(len(cost) - 1, 0, -1):
        path[k - 1] = came[k, path[k]]
    return path
