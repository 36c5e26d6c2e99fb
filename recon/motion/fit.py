"""One smooth motion from the pixels of all cameras at their true times, point by point."""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry import Camera
from recon.motion.fallback import SinglePoints
from recon.records import Clocks, Motion, Points3D, PointStatus, Tracks2D
from recon.smoothing import PointEvents, PointPosterior, SmootherOptions, events_of, rough_curve, smooth_point

_LEAST_SAMPLES = 10

_GAP_FRAMES = 3.5  # as in resample: two frames in a row may be passed over, and the camera still saw the point


@dataclass(frozen=True, kw_only=True, slots=True)
class MotionOptions:
    """How the motion is fitted.

    smoother     of each point
    bridge_s     longest stretch without two views that the curve is trusted to cross
    max_parting_sigma  the curve may part from the per-frame points by this many of their sigmas in the
                 median; beyond it the per-frame points stand as they are (a fit that ran away)
    """

    smoother: SmootherOptions = field(default_factory=SmootherOptions)
    bridge_s: float = 0.10
    max_parting_sigma: float = 2.0

    def __post_init__(self) -> None:
        if min(self.bridge_s, self.max_parting_sigma) <= 0:
            raise BadInput(f"motion: want positive limits, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class MotionSupport:
    """What carries a motion.

    sigma_px     (T, P, C) of the cameras that carry each sample, NaN where one does not
    posteriors   per keypoint, what its error is drawn from; None where the point is absent throughout
    """

    cameras: tuple[str, ...]
    sigma_px: Array
    posteriors: tuple[PointPosterior | SinglePoints | None, ...]

    def draws(self, count: int, seed: int) -> Array:
        """(count, T, P, 3) draws of the error that pixels cause, jointly over time; NaN where a point is none.

        Points are independent of each other: every keypoint has its own noise.
        """
        shape = self.sigma_px.shape[:2]
        out = np.full((count, *shape, 3), np.nan)

        def draw(p: int) -> None:
            posterior = self.posteriors[p]
            if posterior is not None:
                out[:, :, p] = posterior.draws(count, [seed, p])

        with ThreadPoolExecutor(os.cpu_count()) as pool:
            list(pool.map(draw, range(shape[1])))
        return out

    def covariance(self) -> Array:
        """(T, P, 6, 6) of every point's position and velocity, pixels alone; NaN where a point is none."""
        out = np.full((*self.sigma_px.shape[:2], 6, 6), np.nan)
        for p, posterior in enumerate(self.posteriors):
            if posterior is not None:
                out[:, p] = posterior.covariance
        return out


def fit_motion(
    cameras: Sequence[Camera],
    tracks: Tracks2D,
    clocks: Clocks,
    points: Points3D,
    options: MotionOptions | None = None,
    *,
    before: tuple[Motion, MotionSupport] | None = None,
    changed: Collection[str] = (),
) -> tuple[Motion, MotionSupport]:
    """The most likely curve of every keypoint over the time grid of `points`, and its covariance.

    The noise of each keypoint is made up as `tracks.noise` says: only its white part averages out over time, so
    smoothing earns no certainty against errors that linger or stay. cov_m2 and velocity_cov_m2_s2 hold the
    pixels' share alone. before: a fit to the same clocks and tracks, but for the points that `changed`: only
    these are fitted, as every point is by itself. Raises NotMeasurable where no point can be followed at all.
    """
    options = options or MotionOptions()
    t = points.t_s
    shape = (len(t), len(points.keypoints))
    xyz, velocity = np.full((*shape, 3), np.nan), np.full((*shape, 3), np.nan)
    cov, velocity_cov = np.full((*shape, 3, 3), np.nan), np.full((*shape, 3, 3), np.nan)
    status = np.full(shape, PointStatus.TOO_FEW_VIEWS, dtype=np.int8)
    support = np.full((*shape, len(cameras)), np.nan)
    posteriors: list[PointPosterior | SinglePoints | None] = [None] * shape[1]

    gaps_s = [_GAP_FRAMES * float(np.median(np.diff(tracks.of(c.name).t_cam_s))) for c in cameras]

    todo = [p for p, name in enumerate(points.keypoints) if before is None or name in changed]
    if before is not None:
        motion, carried = before
        kept = [p for p in range(shape[1]) if p not in todo]
        xyz[:, kept], velocity[:, kept] = motion.xyz_m[:, kept], motion.velocity_m_s[:, kept]
        cov[:, kept] = motion.cov_m2[:, kept]
        velocity_cov[:, kept] = np.array(motion.velocity_cov_m2_s2)[:, kept]
        status[:, kept], support[:, kept] = motion.status[:, kept], carried.sigma_px[:, kept]
        for p in kept:
            posteriors[p] = carried.posteriors[p]

    def fit(p: int) -> None:
        if (points.status[:, p] == PointStatus.OK).sum() < _LEAST_SAMPLES:
            return
        found = _fit_point(cameras, tracks, clocks, points, p, options)
        support[:, p] = _support(found.events, found.used & found.events.agreed, gaps_s, t)
        status[:, p] = _status(t, support[:, p], options.bridge_s)
        present = status[:, p] != PointStatus.TOO_FEW_VIEWS
        xyz[present, p], velocity[present, p] = found.xyz_m[present], found.velocity_m_s[present]
        cov[present, p] = found.covariance[present, :3, :3]
        velocity_cov[present, p] = found.covariance[present, 3:, 3:]
        posteriors[p] = found

    with ThreadPoolExecutor(os.cpu_count()) as pool:  # the compiled passes let go of the interpreter
        list(pool.map(fit, todo))
    if np.isnan(xyz).all():
        raise NotMeasurable("motion: no point was seen by two cameras long enough to be followed")
    motion = Motion(points.frame, points.keypoints, t, xyz, velocity, cov, status, velocity_cov)
    return motion, MotionSupport(tuple(c.name for c in cameras), support, tuple(posteriors))


def _fit_point(
    cameras: Sequence[Camera],
    tracks: Tracks2D,
    clocks: Clocks,
    points: Points3D,
    p: int,
    options: MotionOptions,
) -> PointPosterior | SinglePoints:
    name = points.keypoints[p]
    events = events_of(cameras, tracks, clocks, points, name)
    start = rough_curve(points, p)
    found = smooth_point(cameras, events, start, tracks.noise[tracks.index(name)], options.smoother)
    if found is None or _parted(found.xyz_m, points, p) > options.max_parting_sigma:
        return SinglePoints.of(points, p, events)
    return found


def _parted(xyz_m: Array, points: Points3D, p: int) -> float:
    """Median distance of the curve from the per-frame points, in their sigmas."""
    ok = points.status[:, p] == PointStatus.OK
    miss = points.xyz_m[ok, p] - xyz_m[ok]
    squared = np.einsum("ni,nij,nj->n", miss, np.linalg.inv(points.cov_m2[ok, p]), miss)
    return float(np.sqrt(np.median(squared) / 3))


def _support(events: PointEvents, used: NDArray[np.bool_], gaps_s: Sequence[float], t: Array) -> Array:
    """(T, C) sigma of the observation nearest in time among those that count, NaN where a camera saw nothing.

    It saw an instant within 0.75 frames of an observation, or between two no farther apart than its gap: frames
    of slow movement are passed over, by every camera in its own turn.
    """
    out = np.full((len(t), len(gaps_s)), np.nan)
    step = float(np.median(np.diff(t)))
    for c, gap in enumerate(gaps_s):
        mine = np.flatnonzero((events.camera == c) & used)
        if not len(mine):
            continue
        times = events.t_s[mine]
        after = np.clip(np.searchsorted(times, t), 1, max(len(times) - 1, 1))
        before, after = after - 1, np.minimum(after, len(times) - 1)
        nearest = np.where(np.abs(times[before] - t) < np.abs(times[after] - t), before, after)
        beside = np.abs(times[nearest] - t) <= 0.75 * max(gap / _GAP_FRAMES, step)
        between = (times[before] <= t) & (t <= times[after]) & (times[after] - times[before] <= gap)
        close = beside | between
        out[close, c] = events.sigma_px[mine][nearest[close]]
    return out


def _status(t: Array, support: Array, bridge_s: float) -> NDArray[np.int8]:
    """OK with two views, BRIDGED between two such samples no farther apart than bridge_s, else absent."""
    carried = (~np.isnan(support)).sum(axis=1) >= 2
    status = np.where(carried, PointStatus.OK, PointStatus.TOO_FEW_VIEWS).astype(np.int8)
    held = np.flatnonzero(carried)
    for a, b in pairwise(held):
        if b > a + 1 and t[b] - t[a] <= bridge_s:
            status[a + 1 : b] = PointStatus.BRIDGED
    return status
