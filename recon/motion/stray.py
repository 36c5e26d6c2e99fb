"""Points of the racket that are where the racket cannot be.

Cameras that look for tape take other spots for it once it is hidden, and now and then two of them agree. Such a
spot lies off the lengths of the racket, which bends but does not stretch.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.motion.between import Unbelieved, near, without_pixels
from recon.records import Clocks, Motion, PointStatus, Tracks2D

_RACKET = ("racket_tip", "racket_throat", "racket_butt")
_OFF = 0.3  # of its length: no racket changes by that
_OFF_SD = 4.0  # and that many standard deviations of the two points' distance
_LEAST_INSTANTS = 20


def without_strays(tracks: Tracks2D, clocks: Clocks, motion: Motion) -> tuple[Tracks2D, tuple[Unbelieved, ...]]:
    """Tracks without the pixels of racket points that contradict the racket's lengths, and which these were.

    A point is a stray where it contradicts more of the other two than they do of each other; of two that
    contradict each other alone, the less certain one is.
    """
    names = [n for n in _RACKET if n in motion.keypoints and n in tracks.keypoints and _is_seen(tracks, n)]
    xyz = np.stack([motion.path(n) for n in names], axis=1) if names else np.zeros((len(motion.t_s), 0, 3))
    columns = [motion.keypoints.index(n) for n in names]
    variance = np.trace(motion.cov_m2[:, columns], axis1=2, axis2=3) / 3
    seen = motion.status[:, columns] == PointStatus.OK
    against = np.zeros((len(motion.t_s), len(names)), dtype=int)
    for a, b in combinations(range(len(names)), 2):
        wrong = _off(xyz[:, a], xyz[:, b], variance[:, a] + variance[:, b], seen[:, a] & seen[:, b])
        against[wrong, a] += 1
        against[wrong, b] += 1
    stray = _most_contradicted(against, np.where(seen, variance, -1.0))
    left_out: dict[str, dict[str, NDArray[np.bool_]]] = {}
    for view in tracks.cameras:
        t = np.asarray(clocks.of(view.camera).rig_time(view.t_cam_s))
        left_out[view.camera] = {n: near(t, motion.t_s[stray[:, i]]) for i, n in enumerate(names)}
    return without_pixels(tracks, left_out)


def _is_seen(tracks: Tracks2D, name: str) -> bool:
    p = tracks.index(name)
    return any(not np.isnan(c.sigma_px[:, p]).all() for c in tracks.cameras)


def _off(a: Array, b: Array, variance: Array, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(T,) where two points are off their usual distance by more than a racket and their errors allow."""
    apart = np.linalg.norm(a - b, axis=1)
    if seen.sum() < _LEAST_INSTANTS:
        return np.zeros(len(apart), dtype=bool)
    usual = float(np.median(apart[seen]))
    miss = np.abs(apart - usual)
    return np.asarray(seen & (miss > _OFF * usual) & (miss > _OFF_SD * np.sqrt(np.where(seen, variance, 0.0))))


def _most_contradicted(against: NDArray[np.int_], variance: Array) -> NDArray[np.bool_]:
    """(T, P) the one point of each instant that contradicts most, and of equals the least certain."""
    worst = against.max(axis=1, initial=0)
    stray = np.zeros(against.shape, dtype=bool)
    for n in np.flatnonzero(worst):
        candidates = np.flatnonzero(against[n] == worst[n])
        stray[n, candidates[np.argmax(variance[n, candidates])]] = True
    return stray
