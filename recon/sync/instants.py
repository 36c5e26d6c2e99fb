"""One instant that several cameras' clocks tell, and putting such instants together with what motion says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain, combinations

import numpy as np
from scipy.special import chdtrc

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.records import Clock, Clocks

MOTION = "motion"
_BY_CHANCE = 1e-3
"""Sources that lie apart as far as chance brings them once in a thousand times contradict each other."""
_ANYTHING_S2 = 1e4


@dataclass(frozen=True, slots=True, eq=False)
class SameInstant:
    """What a source says: these cameras' clocks read t_cam_s (k,) at one and the same instant.

    covariance (k, k) of those readings, s². Two cameras or more.
    """

    source: str
    cameras: tuple[str, ...]
    t_cam_s: Array
    covariance: Array

    def __post_init__(self) -> None:
        k = len(self.cameras)
        if k < 2 or len(set(self.cameras)) < k:
            raise BadInput(f"{self.source}: want two or more different cameras, got {self.cameras}")
        object.__setattr__(self, "t_cam_s", checked(self.t_cam_s, (k,), f"{self.source}: t_cam_s"))
        object.__setattr__(self, "covariance", checked(self.covariance, (k, k), f"{self.source}: covariance"))


@dataclass(frozen=True, slots=True)
class SourceJudged:
    """Whether a source took part, and how far it lies from the clocks as they came out.

    miss_s, camera   of the camera where it misses most; sigmas of it
    """

    source: str
    used: bool
    camera: str
    miss_s: float
    sigmas: float

    def sentence(self) -> str:
        """For the record, and where the source was left out for the quality gate."""
        found = f"{1e3 * abs(self.miss_s):.2f} ms ({self.sigmas:.1f} sigmas)"
        if self.used:
            return f"{self.source} took part in the clocks; it agrees to {found} at camera {self.camera}"
        return (
            f"{self.source} contradicts the other sources of the clocks by {found} at camera {self.camera} "
            "and was left out: look which of them is wrong"
        )


def combine(clocks: Clocks, instants: Sequence[SameInstant]) -> tuple[Clocks, tuple[SourceJudged, ...]]:
    """Clocks from all sources that agree, weighted by covariance; and how every source fared.

    The clocks as they are count as the source "motion". The largest set of sources that chance allows to
    differ as they do is taken, among equals one with the motion, then the one that agrees best; a source
    outside of it does not count. Raises BadInput for a camera that has no clock.
    """
    if not instants:
        return clocks, ()
    best = clocks
    used: tuple[str, ...] = (MOTION,)
    rank = (0, False, -np.inf)
    names = (MOTION, *(i.source for i in instants))
    for subset in chain.from_iterable(combinations(names, k) for k in range(1, len(names) + 1)):
        taken = [i for i in instants if i.source in subset]
        found, against, free = _put_together(clocks if MOTION in subset else _open(clocks), taken)
        if MOTION not in subset:
            free -= len(clocks.clocks) - 1
            if not _all_told(found):
                continue
        if free > 0 and chdtrc(free, against) < _BY_CHANCE:
            continue
        own = (len(subset), MOTION in subset, -against)
        if own > rank:
            rank, best, used = own, found, subset
    return _named(best, used, instants), tuple(_judged(best, i, i.source in used) for i in instants)


def _named(clocks: Clocks, used: tuple[str, ...], instants: Sequence[SameInstant]) -> Clocks:
    """Each clock with the sources that told it: what it had before, and every instant that its camera took."""

    def told(clock: Clock) -> str:
        before = (clock.source,) if MOTION in used else ()
        also = (i.source for i in instants if i.source in used and clock.camera in i.cameras)
        return ", ".join((*before, *also))

    own = tuple(c if c.camera == clocks.reference else replace(c, source=told(c)) for c in clocks.clocks)
    return replace(clocks, clocks=own)


def _open(clocks: Clocks) -> Clocks:
    """With offsets of which nothing is known."""
    covariance = clocks.covariance()
    for k, clock in enumerate(clocks.clocks):
        if clock.camera != clocks.reference:
            covariance[3 * k] = covariance[:, 3 * k] = 0.0
            covariance[3 * k, 3 * k] = _ANYTHING_S2
    return _moved(clocks, np.zeros(len(covariance)), covariance)


def _all_told(clocks: Clocks) -> bool:
    return all(c.u_s**2 < 0.5 * _ANYTHING_S2 for c in clocks.clocks)


def _put_together(clocks: Clocks, instants: Sequence[SameInstant]) -> tuple[Clocks, float, int]:
    """Clocks, the squared distance of all that was put in from what was there, its degrees of freedom."""
    against, free = 0.0, 0
    for instant in instants:
        miss, H, R = _missed(clocks, instant)
        P = clocks.covariance()
        S = H @ P @ H.T + R
        gain = np.linalg.solve(S, H @ P).T
        against += float(miss @ np.linalg.solve(S, miss))
        free += len(miss)
        after = P - gain @ S @ gain.T
        clocks = _moved(clocks, gain @ miss, (after + after.T) / 2)
    return clocks, against, free


def _missed(clocks: Clocks, instant: SameInstant) -> tuple[Array, Array, Array]:
    """By how much the others' rig times fall short of the first's (k - 1,), derivatives, own covariance."""
    k = len(instant.cameras)
    own = [clocks.of(name) for name in instant.cameras]
    apart = np.column_stack([-np.ones(k - 1), np.eye(k - 1)])
    rig = np.array([float(c.rig_time(t)) for c, t in zip(own, instant.t_cam_s, strict=True)])
    by = np.zeros((k, 3 * len(clocks.clocks)))
    for row, (clock, t) in enumerate(zip(own, instant.t_cam_s, strict=True)):
        at = 3 * clocks.clocks.index(clock)
        by[row, at], by[row, at + 1] = 1.0, t - clock.at_s
    return -apart @ rig, apart @ by, apart @ instant.covariance @ apart.T


def _moved(clocks: Clocks, step: Array, covariance: Array) -> Clocks:
    u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    np.fill_diagonal(covariance, u**2)
    out = tuple(
        replace(
            c, offset_s=c.offset_s + float(step[k]), u_s=float(u[k]), drift=c.drift + float(step[k + 1]),
            u_drift=float(u[k + 1]), readout_s=max(c.readout_s + float(step[k + 2]), 0.0),
            u_readout_s=float(u[k + 2]),
        )
        for k, c in zip(range(0, len(step), 3), clocks.clocks, strict=True)
    )  # fmt: skip
    return Clocks(clocks.reference, out, tuple(map(tuple, covariance.tolist())))


def _judged(clocks: Clocks, instant: SameInstant, used: bool) -> SourceJudged:
    miss, H, R = _missed(clocks, instant)
    # a source that took part pulls the clocks to itself: its own variance alone is what it may miss by
    spread = R if used else R + H @ clocks.covariance() @ H.T
    sigmas = np.abs(miss) / np.sqrt(np.diag(spread))
    worst = int(sigmas.argmax())
    return SourceJudged(
        instant.source, used, instant.cameras[worst + 1], float(miss[worst]), float(sigmas[worst])
    )
