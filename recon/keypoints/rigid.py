"""Filled-in points of the racket that contradict its lengths: a racket bends, but does not stretch."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.records import RACKET, Clocks, Points3D, PointStatus, Tracks2D

Frames = NDArray[np.bool_]

_OFF_SD = 3.0  # standard deviations of a distance beyond which it is not the racket's
_BENDS = 0.03  # of its length, as a standard deviation: clicks that mean slightly other spots, and bending
_LEAST_SURE = 3  # instants at which both ends are clicked or taped, for a length to be learned from these alone
_LEAST_INSTANTS = 20  # as many of any kind will do as well: most filled places are right


def contradicting_fill(
    tracks: Tracks2D,
    clocks: Clocks,
    points: Points3D,
    filled: Mapping[str, Mapping[str, Frames]],
    known_m: Mapping[tuple[str, str], float] | None = None,
) -> dict[str, dict[str, Frames]]:
    """Frames (camera → point → (T,)) of filled places that put two racket points at a wrong distance.

    filled: those that were filled in, camera → point → (T,) of that camera's frames; others are not touched.
    known_m: lengths, for where none can be learned: they are learned where both ends are clicked or taped, so
    that it does not matter which spots exactly are meant. A distance is wrong beyond 3 standard deviations of
    its own and 3 % of the length. Of two filled ends the less certain one goes.
    """
    names = [n for n in RACKET if n in tracks.keypoints]
    wrong = {n: np.zeros(len(points.t_s), dtype=bool) for n in names}
    for a, b in combinations(names, 2):
        either = [_at_instants(tracks, clocks, points, filled, n) for n in (a, b)]
        length = _learned(points, a, b, ~(either[0] | either[1])) or (known_m or {}).get((a, b))
        if length is None:
            continue
        (xa, va), (xb, vb) = (_place(points, n) for n in (a, b))
        apart, along = _apart(xa, xb)
        u2 = np.einsum("ti,tij,tj->t", along, va + vb, along) + (_BENDS * length) ** 2
        off = np.abs(apart - length) > _OFF_SD * np.sqrt(u2)
        first = np.trace(va, axis1=1, axis2=2) > np.trace(vb, axis1=1, axis2=2)
        wrong[a] |= off & either[0] & (first | ~either[1])
        wrong[b] |= off & either[1] & (~first | ~either[0])
    out: dict[str, dict[str, Frames]] = {}
    for camera, own in filled.items():
        t = np.asarray(clocks.of(camera).rig_time(tracks.of(camera).t_cam_s))
        out[camera] = {n: f & _near(points.t_s, t, wrong[n]) for n, f in own.items() if n in wrong}
    return out


def _place(points: Points3D, name: str) -> tuple[Array, Array]:
    p = points.index(name)
    ok = points.status[:, p] == PointStatus.OK
    return np.where(ok[:, None], points.xyz_m[:, p], np.nan), points.cov_m2[:, p]


def _apart(xa: Array, xb: Array) -> tuple[Array, Array]:
    """Distances (T,) and the unit directions (T, 3) between two paths."""
    apart = np.linalg.norm(xa - xb, axis=1)
    return apart, (xa - xb) / np.maximum(apart, 1e-9)[:, None]


def _learned(points: Points3D, a: str, b: str, sure: Frames) -> float | None:
    apart, _ = _apart(_place(points, a)[0], _place(points, b)[0])
    there = np.isfinite(apart)
    for use, least in ((sure & there, _LEAST_SURE), (there, _LEAST_INSTANTS)):
        if use.sum() >= least:
            return float(np.median(apart[use]))
    return None


def _at_instants(
    tracks: Tracks2D, clocks: Clocks, points: Points3D, filled: Mapping[str, Mapping[str, Frames]], name: str
) -> Frames:
    """(T,) instants that rest on a filled place of this point in any camera."""
    out = np.zeros(len(points.t_s), dtype=bool)
    for camera, own in filled.items():
        if name in own:
            t = np.asarray(clocks.of(camera).rig_time(tracks.of(camera).t_cam_s))
            out |= _near(t, points.t_s, own[name])
    return out


def _near(from_s: Array, to_s: Array, marked: Frames) -> Frames:
    """(len(to_s),) whether a marked time of `from_s` lies within 0.75 of its steps."""
    if not marked.any():
        return np.zeros(len(to_s), dtype=bool)
    step = float(np.median(np.diff(from_s)))
    return np.asarray(np.abs(to_s[:, None] - from_s[marked][None]).min(axis=1) <= 0.75 * step)
