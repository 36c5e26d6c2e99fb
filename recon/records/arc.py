"""Where a thrown ball is: gravity and the air's drag, in steps short enough for a struck ball too."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array

_STEP_S, _FAST_STEP_S, _FAST_M_S = 0.1, 0.04, 15.0
"""Longest step, below and above a speed. At 10 m/s and at 60 m/s the fourth-order steps and the cubics between
them are off by less than 0.02 mm in half a second."""


def arc(
    position_m: Array, velocity_m_s: Array, gravity_m_s2: Array | float, drag_per_m: Array | float, dt_s: Array
) -> tuple[Array, Array]:
    """Positions and velocities (..., N, 3) a time dt_s (N,) after (before, where negative) a known state;
    NaN where the time is.

    position_m, velocity_m_s (..., 3); gravity_m_s2 and drag_per_m broadcast with (...,). The acceleration is
    -g z - k |v| v, with k = air density x drag coefficient x cross-section / (2 x mass), 1/m.
    Source: the quadratic drag law; fourth-order Runge-Kutta steps joined by cubic Hermite curves.
    """
    dt = np.asarray(dt_s, dtype=float)
    pulls = (np.asarray(gravity_m_s2, dtype=float)[..., None], np.asarray(drag_per_m, dtype=float)[..., None])
    start = (np.asarray(position_m, dtype=float), np.asarray(velocity_m_s, dtype=float))
    shape = np.broadcast_shapes(start[0].shape, start[1].shape, pulls[0].shape, pulls[1].shape)
    x, v = (np.full((*shape[:-1], len(dt), 3), np.nan) for _ in range(2))
    for after in (dt >= 0, dt < 0):
        if after.any():
            x[..., after, :], v[..., after, :] = _one_way(start, pulls, dt[after])
    return x, v


def _one_way(start: tuple[Array, Array], pulls: tuple[Array, Array], dt: Array) -> tuple[Array, Array]:
    """The same for times all on one side of the known state."""
    far = float(dt[np.abs(dt).argmax()])
    longest = _STEP_S if np.square(start[1]).sum(axis=-1).max() < _FAST_M_S**2 else _FAST_STEP_S
    steps = max(1, int(np.ceil(abs(far) / longest)))
    h = far / steps if far else longest
    shape = np.broadcast_shapes(start[0].shape, start[1].shape, pulls[0].shape, pulls[1].shape)
    x, v = np.broadcast_to(start[0], shape), np.broadcast_to(start[1], shape)
    knots = [(x, v, _acceleration(v, *pulls))]
    for _ in range(steps):
        x, v = _step(x, v, knots[-1][2], pulls, h)
        knots.append((x, v, _acceleration(v, *pulls)))
    xs, vs, accelerations = (np.stack(k, axis=-2) for k in zip(*knots, strict=True))
    i = np.minimum((dt / h).astype(int), steps - 1)
    s = (dt / h - i)[:, None]
    at = [np.take(a, i + j, axis=-2) for a in (xs, vs, accelerations) for j in (0, 1)]
    return _between(at[0], at[1], at[2], at[3], s, h), _between(at[2], at[3], at[4], at[5], s, h)


def _acceleration(v: Array, gravity: Array, drag: Array) -> Array:
    out = -drag * np.sqrt((v * v).sum(axis=-1, keepdims=True)) * v
    out[..., 2] -= gravity[..., 0]
    return np.asarray(out)


def _step(x: Array, v: Array, a1: Array, pulls: tuple[Array, Array], h: float) -> tuple[Array, Array]:
    v2 = v + h / 2 * a1
    a2 = _acceleration(v2, *pulls)
    v3 = v + h / 2 * a2
    a3 = _acceleration(v3, *pulls)
    v4 = v + h * a3
    a4 = _acceleration(v4, *pulls)
    return x + h / 6 * (v + 2 * v2 + 2 * v3 + v4), v + h / 6 * (a1 + 2 * a2 + 2 * a3 + a4)


def _between(a: Array, b: Array, slope_a: Array, slope_b: Array, s: Array, h: float) -> Array:
    """Cubic Hermite curve between two knots, s from 0 to 1."""
    bend = s * (1 - s)
    return np.asarray(a + (3 - 2 * s) * s**2 * (b - a) + h * bend * ((1 - s) * slope_a - s * slope_b))
