"""Court points and bars of known length in the joint fit: their share of the normal equations.

They are few beside the board corners, so plain arrays do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.bundle.kernel import PLAIN, ROBUST
from calibration.bundle.problem import BundleProblem, CourtPoints, KnownLengths, Layout, PointSeen
from calibration.bundle.state import State
from calibration.checks import Array
from calibration.geometry.camera import N_CAMERA, Camera

_HELD = 1e-9  # m: a coordinate with no uncertainty is held by a prior this tight
ROBUST_SIGMAS = 3.0
GATE_SIGMAS = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """One camera's points: where, how sure, and the world points' indices."""

    camera: int
    points: Array
    uv_px: Array
    u_px: Array


def _by_camera(seen: Sequence[PointSeen]) -> list[_Seen]:
    out = []
    for camera in sorted({s.camera for s in seen}):
        own = [s for s in seen if s.camera == camera]
        points, uv = np.array([s.point for s in own]), np.array([s.uv_px for s in own])
        out.append(_Seen(camera, points, uv, np.array([s.u_px for s in own])))
    return out


def add_points(
    problem: BundleProblem, cameras: Sequence[Camera], state: State, layout: Layout, H: Array, g: Array,
    mode: int,
) -> float:  # fmt: skip
    """Adds court points and known lengths to H (G, G, both triangles) and g (G,); gives their cost."""
    cost = 0.0
    if problem.court is not None:
        cost += _add_court(problem.court, cameras, state, layout, H, g, mode)
    if problem.lengths is not None:
        cost += _add_lengths(problem.lengths, cameras, state, layout, H, g, mode)
    return cost


def _add_court(
    court: CourtPoints, cameras: Sequence[Camera], state: State, layout: Layout, H: Array, g: Array, mode: int
) -> float:
    cost = 0.0
    for own in _by_camera(court.seen):
        turned = (court.xyz_m[own.points] + state.paint[own.points]) @ state.Rt.T
        uv, by_point, by_camera = state.camera(own.camera, cameras[own.camera]).project_all(turned + state.tt)
        J = np.zeros((len(uv), 2, layout.size))
        J[:, :, N_CAMERA * own.camera : N_CAMERA * (own.camera + 1)] = by_camera
        J[:, :, layout.court] = np.concatenate([np.cross(turned[:, None], by_point), by_point], axis=-1)
        by_paint = by_point @ state.Rt
        for k, p in enumerate(own.points):
            at = layout.paint.start + 3 * int(p)
            J[k, :, at : at + 3] = by_paint[k]
        cost += _add_rows((own.uv_px - uv) / own.u_px[:, None], J / own.u_px[:, None, None], H, g, mode)
    inverse = 1 / np.maximum(court.u_m.ravel(), _HELD) ** 2
    off = state.paint.ravel()
    at = np.arange(layout.paint.start, layout.paint.stop)
    H[at, at] += inverse
    g[at] -= inverse * off
    return cost + float(inverse @ off**2)


def _add_lengths(
    lengths: KnownLengths,
    cameras: Sequence[Camera],
    state: State,
    layout: Layout,
    H: Array,
    g: Array,
    mode: int,
) -> float:
    cost = 0.0
    for own in _by_camera(lengths.seen):
        uv, by_point, by_camera = state.camera(own.camera, cameras[own.camera]).project_all(
            state.ends[own.points]
        )
        J = np.zeros((len(uv), 2, layout.size))
        J[:, :, N_CAMERA * own.camera : N_CAMERA * (own.camera + 1)] = by_camera
        for k, p in enumerate(own.points):
            at = layout.ends.start + 3 * int(p)
            J[k, :, at : at + 3] = by_point[k]
        cost += _add_rows((own.uv_px - uv) / own.u_px[:, None], J / own.u_px[:, None, None], H, g, mode)
    between = state.ends[1::2] - state.ends[::2]
    measured = np.linalg.norm(between, axis=1)
    r = (lengths.length_m - measured) / lengths.u_m
    J = np.zeros((len(r), layout.size))
    for k, direction in enumerate(between / measured[:, None]):
        at = layout.ends.start + 6 * k
        J[k, at : at + 3], J[k, at + 3 : at + 6] = -direction / lengths.u_m[k], direction / lengths.u_m[k]
    H += J.T @ J
    g += J.T @ r
    return cost + float(r @ r)


def _add_rows(r: Array, J: Array, H: Array, g: Array, mode: int) -> float:
    """r (n, 2) in sigmas, J (n, 2, G). A point behind its camera makes the cost infinite."""
    z2 = (r**2).sum(axis=1)
    if not np.isfinite(z2).all():
        return np.inf
    if mode == ROBUST:
        weight = 1 / (1 + z2 / ROBUST_SIGMAS**2)
        cost = float(ROBUST_SIGMAS**2 * np.log1p(z2 / ROBUST_SIGMAS**2).sum())
    else:
        weight = np.ones(len(z2)) if mode == PLAIN else (z2 < GATE_SIGMAS**2).astype(float)
        cost = float((z2 if mode == PLAIN else np.minimum(z2, GATE_SIGMAS**2)).sum())
    rows = J.reshape(-1, J.shape[-1])
    w = np.repeat(weight, 2)
    H += rows.T @ (rows * w[:, None])
    g += rows.T @ (w * r.ravel())
    return cost
