"""Clocks to a fraction of a millisecond: their errors as unknowns of the smooth motion itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import Clock, Clocks, Points3D, PointStatus, Tracks2D
from recon.smoothing import clocks_by_point, events_of, rough_curve

_LEAST_SAMPLES = 30
_POINTS = 12  # the fastest tell nearly all; the rest would only take time
_UNKNOWN_S = 0.004  # half a frame at 120 a second: what the search over all offsets leaves open at most
_AGAIN_S = 2e-5


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """Every point's own clocks (N, C) against the assumed ones, and their information (N, C, C)."""

    late_s: Array
    information: Array

    def together(self) -> tuple[Array, Array]:
        """Weighted mean (C,) and standard uncertainties (C,), grown where the points contradict each other.

        The first camera is the reference: zero both.
        """
        told = self.information[:, 1:, 1:]
        total = told.sum(axis=0)
        mean = np.linalg.solve(total, np.einsum("nij,nj->i", told, self.late_s[:, 1:]))
        off = self.late_s[:, 1:] - mean
        against = float(np.einsum("ni,nij,nj->", off, told, off))
        free = (len(told) - 1) * told.shape[1]
        scale = max(1.0, against / free) if free and against > chi2.ppf(0.9, free) else 1.0
        u = np.sqrt(scale * np.diag(np.linalg.inv(total)))
        return np.concatenate([[0.0], mean]), np.concatenate([[0.0], u])


def refine_clocks(cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, points: Points3D) -> Clocks:
    """Clocks from a good start, with standard uncertainty.

    Each of the fastest points is fitted with the clocks' errors as further unknowns beside its lingering and
    lasting pixel errors; the points' answers are put together by their information. What the start knew counts
    no second time: it came from the same pixels. Returns the clocks as they were where no point tells more.
    Source: Furgale P, Rehder J, Siegwart R (2013), Unified temporal and spatial calibration for multi-sensor
    systems, IROS (the idea of time offsets as unknowns of a continuous-time motion; from memory).
    """
    start = clocks
    for _ in range(3):
        told = _told(cameras, tracks, clocks, points)
        if told is None:
            return start
        late, u = told.together()
        if np.abs(late).max() > 3 * _UNKNOWN_S:  # not what a good start leaves open
            return start
        was = [clocks.of(camera.name) for camera in cameras]
        clocks = Clocks(clocks.reference, tuple(_later(w, d, v) for w, d, v in zip(was, late, u, strict=True)))
        if np.abs(late).max() < _AGAIN_S:
            break
    return clocks


def _later(clock: Clock, late_s: float, u_s: float) -> Clock:
    return replace(clock, offset_s=clock.offset_s + float(late_s), u_s=float(u_s))


def _told(cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, points: Points3D) -> _Told | None:
    late, information = [], []
    before = np.diag(np.concatenate([[1.0], np.full(len(cameras) - 1, _UNKNOWN_S**-2)]))
    for p in _fastest(cameras, points):
        name = points.keypoints[p]
        events = events_of(cameras, tracks, clocks, points, name)
        found = clocks_by_point(
            cameras, events, rough_curve(points, p), tracks.noise[tracks.index(name)], _UNKNOWN_S
        )
        if found is None:
            continue
        own_late, cov = found
        cov[0, 0] = 1.0
        gained = np.linalg.inv(cov) - before
        # the answer without the prior, which is centred on no error: information times it is unchanged
        alone = np.linalg.lstsq(gained[1:, 1:], np.linalg.solve(cov[1:, 1:], own_late[1:]), rcond=None)[0]
        late.append(np.concatenate([[0.0], alone]))
        information.append(gained)
    if not late or np.linalg.eigvalsh(np.sum(information, axis=0)[1:, 1:])[0] < 0.1 * _UNKNOWN_S**-2:
        return None
    return _Told(np.array(late), np.array(information))


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
