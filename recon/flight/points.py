"""The ball's free flight from the toss, and the instant the racket broke it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from recon.records import BallFlight, Points3D, PointStatus

_Index = NDArray[np.intp]
_GRAVITY_M_S2 = 9.81


@dataclass(frozen=True, kw_only=True, slots=True)
class FlightOptions:
    """How a flight is recognised.

    seed_s        length of the first piece tried; a parabola over 0.15 s falls 0.11 m, far above the noise
    gate_sigma    a point belongs to the flight within this many of its sigmas (never less than gate_floor_m)
    gate_floor_m  a third of a ball: colour and shade move the centre of a ball's picture that much
    gravity_band_m_s2  a seed whose curvature is farther than this from 9.81 is no free flight
    hit_speed_m_s a struck ball is faster than this; a tossed one never is
    """

    seed_s: float = 0.15
    gate_sigma: float = 4.0
    gate_floor_m: float = 0.022
    gravity_band_m_s2: float = 3.0
    hit_speed_m_s: float = 12.0

    def __post_init__(self) -> None:
        if (
            min(self.seed_s, self.gate_sigma, self.gate_floor_m, self.gravity_band_m_s2, self.hit_speed_m_s)
            <= 0
        ):
            raise BadInput(f"flight: want positive limits, got {self}")


@dataclass(frozen=True, slots=True)
class Break:
    """When the flight was broken by the racket: rig time and standard uncertainty."""

    t_s: float
    u_s: float


@dataclass(frozen=True, slots=True, eq=False)
class _Ball:
    t_s: Array
    xyz_m: Array
    information: Array
    gate_m: Array


def fit_flight(
    points: Points3D, options: FlightOptions | None = None
) -> tuple[BallFlight | None, Break | None, str]:
    """The longest free flight among the ball's points, its break, and the reason where there is none.

    Gravity is fitted, not assumed, so that it checks scale and frame rate. Air drag is not modelled: on a
    toss it moves the fitted gravity by at most +0.12 m/s² (references: 9.85–9.93 m/s² for real tosses).
    """
    options = options or FlightOptions()
    p = points.index("ball")
    seen = points.status[:, p] == PointStatus.OK
    if seen.sum() < 8:
        return None, None, f"the ball was found by two cameras in {int(seen.sum())} frames; want at least 8"
    cov = points.cov_m2[seen, p]
    gate = np.maximum(options.gate_sigma * np.sqrt(np.trace(cov, axis1=1, axis2=2) / 3), options.gate_floor_m)
    ball = _Ball(points.t_s[seen], points.xyz_m[seen, p], np.linalg.inv(cov), gate)
    members = _longest_flight(ball, options)
    if len(members) < 8:
        return None, None, "no stretch of the ball's path falls as a free flight does"
    flight = _as_record(ball, members)
    return flight, _break(ball, members, flight, options), ""


_SLOWED = (2.0, 4.0, 8.0, 4.8, 5.0, 9.6, 10.0, 0.5)
"""How many times slower than life a file of usual frame rates may play (common practice)."""
_LEAST_TOSS_S = 0.5  # a shorter path bends by less than 0.3 m: a hand that carries a ball may move like that
_GRAVITY_SHARE = 0.04  # 4.8 and 5 are 8 % of gravity apart; drag and scale need the half of it


def slowed_fall(points: Points3D, options: FlightOptions | None = None) -> float | None:
    """How many times too slowly a ball falls in which `fit_flight` finds no flight: the film has another rate.

    Stamped k times too slow, gravity comes out k² times too small: far outside what a free flight may show. So
    the path is tried with its times divided by each usual k, and the one under which the ball falls freely, at
    9.81 m/s², is the answer. None where none is.
    """
    best: tuple[float, float] | None = None
    for k in _SLOWED:
        flight, _, _ = fit_flight(replace(points, t_s=points.t_s / k), options)
        if flight is None or flight.t1_s - flight.t0_s < _LEAST_TOSS_S:
            continue
        off = abs(flight.gravity_m_s2 / _GRAVITY_M_S2 - 1)
        if off < _GRAVITY_SHARE and (best is None or off < best[0]):
            best = (off, k)
    return None if best is None else best[1]


def _design(dt: Array) -> Array:
    """(n, 3, 7): position as a linear function of x0, v0 and gravity."""
    out = np.zeros((len(dt), 3, 7))
    for axis in range(3):
        out[:, axis, axis] = 1.0
        out[:, axis, 3 + axis] = dt
    out[:, 2, 6] = -0.5 * dt**2
    return out


def _solve(ball: _Ball, members: _Index, t0: float) -> tuple[Array, Array, Array]:
    """Weighted least squares: parameters (7,), covariance (7, 7), distances (n_all,) of all points."""
    A = _design(ball.t_s[members] - t0)
    W = ball.information[members]
    normal = np.einsum("nki,nkl,nlj->ij", A, W, A)
    cov = np.linalg.inv(normal)
    theta = cov @ np.einsum("nki,nkl,nl->i", A, W, ball.xyz_m[members])
    miss = np.linalg.norm(ball.xyz_m - _design(ball.t_s - t0) @ theta, axis=1)
    return theta, cov, miss


def _longest_flight(ball: _Ball, options: FlightOptions) -> _Index:
    """Indices of the longest run of points on one parabola, grown from every possible seed."""
    best: _Index = np.array([], dtype=np.intp)
    for start in range(len(ball.t_s)):
        seed = np.flatnonzero((ball.t_s >= ball.t_s[start]) & (ball.t_s <= ball.t_s[start] + options.seed_s))
        if len(seed) < 6 or np.isin(seed, best).all():
            continue
        members = _grow(ball, seed, options)
        if len(members) > len(best):
            best = members
    return best


def _grow(ball: _Ball, members: _Index, options: FlightOptions) -> _Index:
    for _ in range(50):
        theta, _, miss = _solve(ball, members, float(ball.t_s[members[0]]))
        inside = members[miss[members] < ball.gate_m[members]]
        if abs(theta[6] - _GRAVITY_M_S2) > options.gravity_band_m_s2 or len(inside) < 6:
            return np.array([], dtype=np.intp)
        low, high = int(inside.min()), int(inside.max())
        fits = miss < ball.gate_m
        # one lost point at an end does not stop the growth, two in a row do
        while low > 0 and (fits[low - 1] or (low > 1 and fits[low - 2])):
            low -= 1
        while high < len(fits) - 1 and (fits[high + 1] or (high < len(fits) - 2 and fits[high + 2])):
            high += 1
        grown = np.arange(low, high + 1)[fits[low : high + 1]]
        if np.array_equal(grown, members):
            break
        members = grown
    return members


def _as_record(ball: _Ball, members: _Index) -> BallFlight:
    t0 = float(ball.t_s[members[0]])
    theta, cov, miss = _solve(ball, members, t0)
    A = _design(ball.t_s[members] - t0)
    residual = ball.xyz_m[members] - A @ theta
    chi2 = float(np.einsum("ni,nij,nj->", residual, ball.information[members], residual))
    inflate = max(1.0, chi2 / max(3 * len(members) - 7, 1))
    return BallFlight(
        t0_s=t0,
        t1_s=float(ball.t_s[members[-1]]),
        position_m=theta[:3],
        velocity_m_s=theta[3:6],
        gravity_m_s2=float(theta[6]),
        u_gravity_m_s2=float(np.sqrt(cov[6, 6] * inflate)),
        rms_m=float(np.sqrt((miss[members] ** 2).mean())),
    )


def _break(ball: _Ball, members: _Index, flight: BallFlight, options: FlightOptions) -> Break | None:
    """Where the struck ball's straight path meets the toss; None where it was not seen after the flight."""
    after = np.flatnonzero((ball.t_s > flight.t1_s) & (ball.t_s < flight.t1_s + 0.08))
    for i, j in pairwise(after):
        dt = float(ball.t_s[j] - ball.t_s[i])
        velocity = (ball.xyz_m[j] - ball.xyz_m[i]) / dt
        speed = float(np.linalg.norm(velocity))
        if speed < options.hit_speed_m_s or speed > 90:
            continue
        t = np.linspace(flight.t1_s - 0.02, float(ball.t_s[i]), 400)
        line = ball.xyz_m[i] + velocity * (t - ball.t_s[i])[:, None]
        apart = np.linalg.norm(line - flight.at(t), axis=1)
        best = int(apart.argmin())
        if apart[best] < 0.15:
            sigma = float(np.sqrt(np.trace(np.linalg.inv(ball.information[i])) / 3))
            return Break(float(t[best]), max(2 * sigma / speed, 0.002))
    return None
