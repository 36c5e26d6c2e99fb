"""Clocks to a fraction of a millisecond: their errors as unknowns of the smooth motion itself."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import Clocks, Points3D, PointStatus, Tracks2D
from recon.smoothing import delays_by_point, events_of, rough_curve
from recon.sync.unknowns import OFFSET, ClockUnknowns

_LEAST_SAMPLES = 30
_POINTS = 12  # the fastest tell nearly all; the rest would only take time
_UNKNOWN_S = 0.004  # half a frame at 120 a second: what the search over all offsets leaves open at most
_AGAIN_S = 2e-5
_FAR = 0.99  # a witness farther off than so many in a hundred are
_REWEIGHTS = 20
_WEAK = 0.1  # directions that a point tells less of, against an even share of what all do, judge nothing


def refine_clocks(cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, points: Points3D) -> Clocks:
    """Clocks from a good start, with their joint covariance: offsets, and drifts and readouts that have a u.

    Each of the fastest points is fitted with the clocks' errors as further unknowns beside its lingering and
    lasting pixel errors; what the points tell is put together, and with what was known of drifts and readouts
    before. What the start knew of offsets counts no second time: it came from the same pixels. Returns the
    clocks as they were where no point tells more.
    Source: Furgale P, Rehder J, Siegwart R (2013), Unified temporal and spatial calibration for multi-sensor
    systems, IROS (the idea of time offsets as unknowns of a continuous-time motion; from memory).
    """
    start, unknowns = clocks, ClockUnknowns.of(cameras, clocks)
    for _ in range(3):
        told = _told(cameras, tracks, clocks, points, unknowns)
        if told is None:
            return start
        now = unknowns.values([clocks.of(c.name) for c in cameras])
        first = unknowns.values(unknowns.before)
        step, covariance = told.together(unknowns.precision, first - now)
        if np.abs(step[unknowns.kind == OFFSET]).max() > 3 * _UNKNOWN_S:  # not what a good start leaves open
            return start
        clocks = unknowns.found(clocks, now + step, covariance)
        if np.abs(step[unknowns.kind == OFFSET]).max() < _AGAIN_S:
            break
    return clocks


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """What N witnesses tell of m constants: information (N, m, m), and that times their best values (N, m)."""

    information: Array
    pull: Array

    def together(self, precision: Array, before: Array) -> tuple[Array, Array]:
        """The constants (m,) and their covariance (m, m), with what was known of them before.

        A witness farther from the others than one in a hundred is counts for less, by the square of its
        distance, from the start on which the most agree: a badly seen marker may be very sure of a wrong
        answer. Where the witnesses still contradict each other more than chance allows, what all tell counts
        for less.
        """
        own = [(d, _chi2_below(_FAR, max(len(d[0]), 1))) for d in self._directions()]

        def weights(at: Array) -> Array:
            return np.array([far / max(_distance2(d, at), far) for d, far in own])

        def unlikely(at: Array) -> float:
            return float(sum(far * np.log1p(_distance2(d, at) / far) for d, far in own))

        def solved(weight: Array) -> Array:
            total = np.einsum("n,nij->ij", weight, self.information) + precision
            pull: Array = weight @ self.pull + precision @ before
            return np.linalg.solve(total, pull)

        hardly = np.diag(np.where(np.diag(precision) == 0, _UNKNOWN_S**-2, 0.0)) + precision
        alone = zip(self.information, self.pull, strict=True)
        best = min((np.linalg.solve(N + hardly, g + precision @ before) for N, g in alone), key=unlikely)
        for _ in range(_REWEIGHTS):
            weight = weights(best)
            best = solved(weight)
        against = float(sum(w * _distance2(d, best) for w, (d, _) in zip(weight, own, strict=True)))
        free = float(sum(w * len(d[0]) for w, (d, _) in zip(weight, own, strict=True))) - len(best)
        scale = max(1.0, against / free) if free > 0 and against > _chi2_below(0.9, free) else 1.0
        counted = weight / scale
        covariance = np.linalg.inv(np.einsum("n,nij->ij", counted, self.information) + precision)
        return solved(counted), (covariance + covariance.T) / 2

    def _directions(self) -> list[_Directions]:
        """What each witness tells, along directions of its own, and only those that it tells much of."""
        unit = 1 / np.sqrt(np.maximum(np.diagonal(self.information.sum(axis=0)), 1e-300))
        out = []
        for N, g in zip(self.information, self.pull, strict=True):
            size, along = np.linalg.eigh(unit[:, None] * N * unit)
            tells = size > _WEAK / len(self.information)
            rows = along.T[tells] * unit / np.sqrt(size[tells])[:, None]
            out.append((rows @ g, rows @ N))
        return out


def _chi2_below(share: float, freedom: float) -> float:
    """The value below which that share of chi-square lies."""
    return float(2 * gammaincinv(freedom / 2, share))


_Directions = tuple[Array, Array]
"""(k,) what a witness says in units of its own sigma, and (k, m) how the constants make it up."""


def _distance2(directions: _Directions, at: Array) -> float:
    """Squared distance in sigmas of constants (m,) from what a witness says."""
    says, by = directions
    return float(((says - by @ at) ** 2).sum())


def _told(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, points: Points3D, unknowns: ClockUnknowns
) -> _Told | None:
    own = [clocks.of(camera.name) for camera in cameras]

    def tells(p: int) -> tuple[Array, Array] | None:
        name = points.keypoints[p]
        events = events_of(cameras, tracks, clocks, points, name)
        seen = events.observations()
        delay_s = np.column_stack([unknowns.delays_s(seen, tracks, own), unknowns.warp_s(seen, tracks, own)])
        shape = tracks.noise[tracks.index(name)]
        told = delays_by_point(cameras, events, rough_curve(points, p), shape, delay_s, _UNKNOWN_S)
        return None if told is None else _freed(*told)

    offsets = unknowns.kind == OFFSET
    with ThreadPoolExecutor(os.cpu_count()) as pool:  # the compiled passes let go of the interpreter
        found = [told for told in pool.map(tells, _fastest(cameras, points)) if told is not None]
    if not found:
        return None
    halves = [half for told in found for half in _halved(*told, offsets)]
    information, pull = (np.array(part) for part in zip(*halves, strict=True))
    hardly = np.eye(len(offsets)) * 1e-12 * _UNKNOWN_S**-2
    known = np.linalg.inv(information.sum(axis=0) + unknowns.precision + hardly)
    if np.linalg.eigvalsh(known[np.ix_(offsets, offsets)])[-1] > 10 * _UNKNOWN_S**2:
        return None
    return _Told(information, pull)


def _halved(N: Array, g: Array, offsets: NDArray[np.bool_]) -> list[tuple[Array, Array]]:
    """What a point says of the offsets given all else, and of all else whatever the offsets; they add up.

    Two witnesses, because a point whose view-dependent errors look like a drift of a thousand parts in a
    million may be right about the offsets all the same.
    """
    others = ~offsets
    if not others.any() or np.linalg.cond(N[np.ix_(offsets, offsets)]) > 1e12:
        return [(N, g)]
    gain = np.linalg.solve(N[np.ix_(offsets, offsets)], N[offsets])
    given = N[:, offsets] @ gain, gain.T @ g[offsets]
    rest = np.where(np.outer(others, others), N - given[0], 0.0), np.where(others, g - given[1], 0.0)
    return [given, rest]


def _freed(N: Array, g: Array) -> tuple[Array, Array]:
    """What is told of all constants but the last, nothing being known of that one."""
    if N[-1, -1] <= 0:
        return N[:-1, :-1], g[:-1]
    by = N[:-1, -1] / N[-1, -1]
    return N[:-1, :-1] - np.outer(by, N[-1, :-1]), g[:-1] - by * g[-1]


def _fastest(cameras: Sequence[Camera], points: Points3D) -> list[int]:
    """Columns of the points that move most against their uncertainty."""
    speeds = {}
    for p in range(len(points.keypoints)):
        ok = points.status[:, p] == PointStatus.OK
        if ok.sum() < _LEAST_SAMPLES:
            continue
        velocity = np.gradient(rough_curve(points, p), points.t_s, axis=0)[ok]
        size2 = np.trace(points.cov_m2[ok, p], axis1=1, axis2=2)
        speeds[p] = float(((velocity**2).sum(axis=1) / size2).mean())
    return sorted(speeds, key=lambda p: -speeds[p])[:_POINTS]
