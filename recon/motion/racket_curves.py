"""What butt, throat and tip of a racket are by themselves, and when their curves know nothing."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.curves import true_runs
from recon.motion.fallback import SinglePoints
from recon.motion.fit import MotionSupport
from recon.motion.holding import Held, lingering
from recon.motion.lengths import LEAST_INSTANTS, Length, Span, length_of
from recon.motion.racket_shape import BUTT, SPANS, THROAT, TIP, RacketShape
from recon.records import PointStatus
from recon.smoothing import PointEvents, PointPosterior

POINTS = (BUTT, THROAT, TIP)
_VAGUE_M, _VAGUE_M_S = 3.0, 100.0
VAGUE = np.diag(np.repeat([_VAGUE_M**2, _VAGUE_M_S**2], 3))
"""Covariance (6, 6) of a point whose own curve says nothing."""
_MEDIAN2 = 0.455  # median of chi-square with one degree of freedom
_MOST_TAPE_M = 0.02
_POSTURE_S = 0.1
_LONELY, _BESIDE = 3, 3  # so few instants of agreement, so near to spots that agree with nothing, are chance
_UNSEEN_TURN_S = 0.05  # so long a stretch has room for a turn
_TRUSTED_S = 0.10  # as long as a curve is trusted between two views that agree


def trusted(
    events: PointEvents, measured: NDArray[np.bool_], t_s: Array
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(T,) the instants at which a point was measured indeed, and at which its curve is not to be trusted.

    Once tape is hidden its cameras take other spots for it, each another one, and now and then two agree: a few
    lonely instants of agreement among such spots are none. For more than a tenth of a second without agreement
    a curve says nothing: it rests on those spots, or on how smooth a swing was that nobody saw.
    """
    spotted = np.bincount(events.grid[~events.wanted], minlength=len(t_s)) > 0
    alone = spotted & ~measured
    measured = measured.copy()
    for start, stop in true_runs(measured):
        if stop - start < _LONELY and alone[max(start - _BESIDE, 0) : stop + _BESIDE].any():
            measured[start:stop] = False
    vague = np.zeros(len(t_s), dtype=bool)
    for start, stop in true_runs(~measured):
        lasts = t_s[min(stop, len(t_s) - 1)] - t_s[max(start - 1, 0)]
        if lasts > _TRUSTED_S:
            vague[start:stop] = True
    return measured, vague


def less_sure(measured: NDArray[np.bool_], t_s: Array) -> Array:
    """(T,) by how much a point's errors are larger than its curve says, between measured instants.

    A curve takes a swing to be as smooth there as on either side; where the racket turns round unseen, as at
    its lowest point, it is not: eight frames there, at 120/s, were off by up to six of the curve's sigmas.
    """
    grown = np.ones(len(t_s))
    for start, stop in true_runs(~measured):
        lasts = t_s[min(stop, len(t_s) - 1)] - t_s[max(start - 1, 0)]
        grown[start:stop] = 1 + min(lasts / _UNSEEN_TURN_S, 1.0)
    return grown


def between(flags: NDArray[np.bool_], wrong: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(T,) of each stretch of flags, from its first wrong instant to its last."""
    out = np.zeros(len(wrong), dtype=bool)
    for start, stop in true_runs(flags):
        at = start + np.flatnonzero(wrong[start:stop])
        if len(at):
            out[at[0] : at[-1] + 1] = True
    return out


class RacketCurves:
    """What the racket's points are by themselves: x, v (T, 3, 3), own (T, 3, 6, 6), draws (D, T, 3, 3).

    In the order butt, throat, tip; own: covariances of place and velocity; measured (T, 3): where two cameras
    saw one. Mutable: what a curve cannot know is forgotten.
    """

    def __init__(self, held: Held, support: MotionSupport, rng: np.random.Generator) -> None:
        motion = held.motion
        self.rng, self.t_s = rng, motion.t_s
        self.columns = [motion.index(name) for name in POINTS]
        self.measured: NDArray[np.bool_] = np.array(motion.status[:, self.columns] == PointStatus.OK)
        frames = len(self.t_s)
        self.x, self.v = np.zeros((frames, 3, 3)), np.zeros((frames, 3, 3))
        self.own = np.zeros((frames, 3, 6, 6))
        self.draws = held.draws_m[:, :, self.columns].copy()
        self.known = np.zeros(3, dtype=bool)
        for j, column in enumerate(self.columns):
            self._take(j, support.posteriors[column])
        self._place_unknown()
        self.lengths = [found for ends in SPANS if (found := self._length(ends)) is not None]

    def _take(self, j: int, posterior: PointPosterior | SinglePoints | None) -> None:
        vague = np.ones(len(self.t_s), dtype=bool)
        if posterior is not None:
            self.x[:, j], self.v[:, j] = posterior.xyz_m, posterior.velocity_m_s
            self.own[:, j] = posterior.covariance
            self.measured[:, j], vague = trusted(posterior.events, self.measured[:, j], self.t_s)
            grown = less_sure(self.measured[:, j], self.t_s)
            self.own[:, j] *= grown[:, None, None] ** 2
            self.draws[:, :, j] *= grown[:, None]
            if isinstance(posterior, SinglePoints):
                vague = ~self.measured[:, j]  # a straight line between points knows nothing of what lies there
        self.known[j] = posterior is not None
        self.forget(j, vague)

    def forget(self, j: int, when: NDArray[np.bool_]) -> None:
        """A point's own curve says nothing at some instants (T,)."""
        self.own[when, j] = VAGUE
        unit = self.rng.standard_normal((len(self.draws), int(when.sum()), 3))
        self.draws[:, when, j] = _VAGUE_M * unit

    def covariance(self, own: Array) -> Array:
        """(T, 18, 18) of all places, then all velocities, from each point's own (T, 3, 6, 6)."""
        C = np.zeros((len(own), 2, 3, 3, 2, 3, 3))
        for j in range(3):
            C[:, :, j, :, :, j] = own[:, j].reshape(-1, 2, 3, 2, 3)
        return C.reshape(-1, 18, 18)

    def _place_unknown(self) -> None:
        """Points that were never followed begin somewhere near the others."""
        for j in np.flatnonzero(~self.known) if self.known.any() else ():
            self.x[:, j] = self.x[:, self.known].mean(axis=1)

    def _length(self, ends: tuple[str, str]) -> Length | None:
        i, j = (POINTS.index(name) for name in ends)
        both = self.measured[:, i] & self.measured[:, j]
        difference = np.where(both[:, None], self.x[:, i] - self.x[:, j], np.nan)
        span = Span.of(ends, difference, self.own[:, i, :3, :3] + self.own[:, j, :3, :3])
        return length_of(span, self.draws[:, :, i] - self.draws[:, :, j])

    def tape_m(self, shape: RacketShape) -> float:
        """Standard deviation per axis by which each point lies off a straight racket beyond its pixels' errors.

        A tape's middle as colour shows it is not its middle: one side lies in shade, another behind strings or
        a hand. Told by how far the throat lies off the line between the others, half of all instants being
        nearer and half farther than errors of that size would have it.
        """
        whole = self.measured.all(axis=1)
        if whole.sum() < LEAST_INSTANTS:
            return 0.0
        parts = np.array([-(1 - shape.share), 1.0, -shape.share])
        off2 = np.einsum("p,tpi->ti", parts, self.x[whole]) ** 2
        expected = np.einsum("p,tpii->ti", parts**2, self.own[whole, :, :3, :3])
        tapes2 = np.linspace(0.0, _MOST_TAPE_M, 101) ** 2
        ratio = [float(np.median(off2 / (expected + (parts**2).sum() * tape2))) for tape2 in tapes2]
        enough = np.array(ratio) < _MEDIAN2
        return float(np.sqrt(tapes2[enough.argmax()])) if enough.any() else _MOST_TAPE_M

    def loosen(self, tape_m: float) -> None:
        """Every point may be off by that, for about as long as a posture lasts."""
        self.own[..., :3, :3] += tape_m**2 * np.eye(3)
        self.own[..., 3:, 3:] += (tape_m / _POSTURE_S) ** 2 * np.eye(3)
        kept, shape = float(np.exp(-np.median(np.diff(self.t_s)) / _POSTURE_S)), self.draws.shape
        for j in range(3):
            for axis in range(3):
                self.draws[:, :, j, axis] += tape_m * lingering(shape[0], shape[1], kept, self.rng)
