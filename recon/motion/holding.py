"""Points of one bone hold each other: every instant is corrected to the lengths of all.

The curves of single points know nothing of each other. At every instant all points that hang together are
corrected to the lengths that the whole clip tells, as far as their covariances allow, and their velocities to
lengths that do not change. What is linear in it is Bayes' rule for Gaussian errors (a Kalman update without
time); only the correction's own instant is used, so errors that last in time are not mistaken for new evidence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calibration.checks import Array
from recon.motion.lengths import SPANS, Length, Span, alike, length_of
from recon.motion.limits import limits_of, pull
from recon.records import Motion

MISSED_FRAMES = 2.0  # standard width of the window over which misses of lengths are averaged
GIVES_WITHIN_S = 0.03  # a distance that gives does so no faster, and keeps what it gave for about as long


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """A motion whose points hold each other.

    draws_m   (D, T, P, 3) draws of its positions' error, jointly over time and points
    lengths   that it was held to
    beyond    elbows, knees and ankles that its curves bent farther than they go, a sentence each
    """

    motion: Motion
    draws_m: Array
    lengths: tuple[Length, ...]
    beyond: tuple[str, ...] = ()


def hold_lengths(motion: Motion, covariance: Array, draws_m: Array, seed: int = 0) -> Held:
    """The motion with the lengths of bones, feet and pelvis constant, as far as they are.

    covariance (T, P, 6, 6) of position and velocity and draws_m (D, T, P, 3), jointly over time, of the pixels'
    share alone, as in the motion. A length is estimated from the motion itself, and so is by how much it gives;
    points without such neighbours stay as they are.
    """
    held = Held(motion, draws_m.copy(), ())
    rng = np.random.default_rng([seed, len(motion.keypoints)])
    groups = [_Group(motion, covariance, draws_m, *g) for g in _hanging_together(motion.keypoints)]
    found = alike([length for g in groups for length in g.lengths], rng)
    by_ends = {length.ends: length for length in found}
    for group in groups:
        held = group.hold(held, by_ends, rng)
    return held


def _hanging_together(keypoints: Sequence[str]) -> list[tuple[list[str], list[tuple[str, str]]]]:
    """Points linked by spans, and those spans, group by group."""
    groups: list[tuple[set[str], list[tuple[str, str]]]] = []
    for ends in SPANS:
        if not set(ends) <= set(keypoints):
            continue
        touched = [g for g in groups if g[0] & set(ends)]
        groups = [g for g in groups if not g[0] & set(ends)]
        groups.append((set(ends).union(*(g[0] for g in touched)), [s for g in touched for s in g[1]] + [ends]))
    return [(sorted(names), spans) for names, spans in groups]


@dataclass(slots=True, eq=False)
class _Row:
    """One condition on the state (T, 6K), positions then velocities: H (T, 6K), what is missing and its
    variance (T,)."""

    H: Array
    missing: Array
    variance: Array


class _Group:
    """Points that hang together, at all instants: x, v (T, K, 3), C (T, 6K, 6K)."""

    def __init__(
        self, motion: Motion, covariance: Array, draws_m: Array, names: Sequence[str],
        spans: Sequence[tuple[str, str]],
    ) -> None:  # fmt: skip
        self.names, self.spans = list(names), spans
        self.columns = [motion.index(n) for n in names]
        self.t_s = motion.t_s
        x, v = motion.xyz_m[:, self.columns], motion.velocity_m_s[:, self.columns]
        self.there: NDArray[np.bool_] = np.asarray(np.isfinite(x).all(axis=2))
        self.x, self.v = np.nan_to_num(x), np.nan_to_num(v)
        self.draws = draws_m[:, :, self.columns]
        own = np.where(self.there[..., None, None], covariance[:, self.columns], np.eye(6))
        frames, k = self.there.shape
        C = np.zeros((frames, 2, k, 3, 2, k, 3))
        for j in range(k):
            C[:, :, j, :, :, j] = own[:, j].reshape(frames, 2, 3, 2, 3)
        self.C = C.reshape(frames, 6 * k, 6 * k)
        self.lengths: list[Length] = []
        self.beyond: list[str] = []
        self.still: list[_Row] = []  # conditions on positions
        self.moving: list[_Row] = []  # on velocities
        for ends in spans:
            self._keep_apart(ends)

    def _keep_apart(self, ends: tuple[str, str]) -> None:
        i, j = (self.names.index(n) for n in ends)
        both: NDArray[np.bool_] = np.asarray(self.there[:, i] & self.there[:, j])
        difference = np.where(both[:, None], self.x[:, i] - self.x[:, j], np.nan)
        cov = sum(self.C[:, 3 * k : 3 * k + 3, 3 * k : 3 * k + 3] for k in (i, j))
        span = Span.of(ends, difference, np.asarray(cov))
        found = length_of(span, self.draws[:, :, i] - self.draws[:, :, j])
        if found is None:
            return
        self.lengths.append(found)
        way, apart = np.nan_to_num(span.way), np.where(both, span.apart_m, 1.0)
        variance = np.full(len(both), found.give_m**2 + found.u_m**2)
        miss = np.where(both, found.length_m - span.told_m(), 0.0)
        self.still.append(_Row(self._over({i: way, j: -way}, {}), miss, variance))
        moving = self.v[:, i] - self.v[:, j]
        rate = np.where(both, np.einsum("ti,ti->t", way, moving), 0.0)
        turn = np.where(both[:, None], moving - way * rate[:, None], 0.0) / apart[:, None]
        H = self._over({i: turn, j: -turn}, {i: way, j: -way})
        self.moving.append(_Row(H, -rate, np.full(len(both), (found.give_m / GIVES_WITHIN_S) ** 2)))

    def _settle(self, lengths: Mapping[tuple[str, str], Length]) -> None:
        """Takes over lengths that were found together with those of other groups."""
        for j, own in enumerate(self.lengths):
            new = lengths[own.ends]
            row = self.still[j]
            variance = np.full(len(row.missing), new.give_m**2 + new.u_m**2)
            self.still[j] = replace(row, missing=row.missing + (new.length_m - own.length_m), variance=variance)
            self.lengths[j] = new

    def _doubt(self) -> None:
        """Covariances and draws grow where lengths are missed by more than they allow.

        Squared misses in sigmas, averaged over a few frames and over a point's lengths, count beside one that
        is as expected; they never shrink anything. So a shock that the curve was too smooth for is known.
        """
        growth = np.ones((2, *self.there.shape))
        for growing, rows in zip(growth, (self.still, self.moving), strict=True):
            beside = np.ones(len(self.names))
            for row, length in zip(rows, self.lengths, strict=True):
                expected = np.einsum("ti,tij,tj->t", row.H, self.C, row.H) + row.variance
                miss2 = gaussian_filter1d(row.missing**2 / expected, MISSED_FRAMES, mode="nearest")
                for end in length.ends:
                    j = self.names.index(end)
                    growing[:, j] += miss2
                    beside[j] += 1
            growing /= beside
        growth = np.maximum.accumulate(np.maximum(growth, 1.0), axis=0)  # velocities no less than places
        grown = np.sqrt(growth)
        by_state = np.repeat(grown.swapaxes(0, 1).reshape(len(self.x), -1), 3, axis=1)
        self.C *= by_state[:, :, None] * by_state[:, None, :]
        self.draws = self.draws * grown[0, :, :, None]

    def _keep_within_limits(self) -> None:
        """Elbows, knees and ankles bend no farther than they can."""
        points = {n: np.where(self.there[:, j, None], self.x[:, j], np.nan) for j, n in enumerate(self.names)}
        for limited in limits_of(points):
            known = np.isfinite(limited.inside)
            parts = {self.names.index(n): np.where(known[:, None], g, 0.0) for n, g in limited.gradient.items()}
            H = self._over(parts, {})
            pulled = pull(limited, np.einsum("ti,tij,tj->t", H, self.C, H))
            says = np.isfinite(pulled.variance)
            if not says.any():
                continue
            if (limited.inside < 0).any():
                for_s = float((limited.inside < 0).sum() * np.median(np.diff(self.t_s)))
                self.beyond.append(f"{limited.name} beyond its range for {for_s:.2f} s, held back")
            variance = np.where(says, pulled.variance, 1.0)
            self.still.append(_Row(np.where(says[:, None], H, 0.0), pulled.missing, variance))

    def _over(self, positions: dict[int, Array], velocities: dict[int, Array]) -> Array:
        """(T, 6K) from the parts (T, 3) that are not zero."""
        k = len(self.names)
        H = np.zeros((len(self.x), 2 * k, 3))
        for part, at in ((positions, 0), (velocities, k)):
            for column, values in part.items():
                H[:, at + column] = values
        return H.reshape(len(self.x), 6 * k)

    def hold(self, held: Held, lengths: Mapping[tuple[str, str], Length], rng: np.random.Generator) -> Held:
        """`held` with these points corrected to the lengths."""
        if not self.lengths:
            return held
        self._settle(lengths)
        self._doubt()
        self._keep_within_limits()
        frames, k = self.there.shape
        H, missing, noise = (
            np.stack([getattr(r, name) for r in self.still + self.moving], axis=1)
            for name in ("H", "missing", "variance")
        )
        m = len(self.still)
        Hx, Cx = H[:, :m, : 3 * k], self.C[:, : 3 * k, : 3 * k]
        R = noise[:, :, None] * np.eye(noise.shape[1])
        gain = gain_of(Cx, Hx, R[:, :m, :m])
        gain_all = gain_of(self.C, H, R)
        x = self.x + np.einsum("tim,tm->ti", gain, missing[:, :m]).reshape(frames, k, 3)
        v = self.v + np.einsum("tim,tm->ti", gain_all, missing)[:, 3 * k :].reshape(frames, k, 3)
        Cx = Cx - gain @ Hx @ Cx
        Cv = (self.C - gain_all @ H @ self.C)[:, 3 * k :, 3 * k :]
        motion = held.motion
        xyz, velocity, cov, velocity_cov = (
            np.array(a) for a in (motion.xyz_m, motion.velocity_m_s, motion.cov_m2, motion.velocity_cov_m2_s2)
        )
        for j, column in enumerate(self.columns):
            at, block = self.there[:, j], slice(3 * j, 3 * j + 3)
            xyz[at, column], velocity[at, column] = x[at, j], v[at, j]
            cov[at, column], velocity_cov[at, column] = Cx[at, block, block], Cv[at, block, block]
        held.draws_m[:, :, self.columns] = self._redrawn(gain, Hx, noise[:, :m], rng)
        motion = replace(motion, xyz_m=xyz, velocity_m_s=velocity, cov_m2=cov, velocity_cov_m2_s2=velocity_cov)
        return Held(
            motion, held.draws_m, held.lengths + tuple(self.lengths), held.beyond + tuple(self.beyond)
        )  # fmt: skip

    def _redrawn(self, gain: Array, Hx: Array, noise: Array, rng: np.random.Generator) -> Array:
        """(D, T, K, 3): draws of the corrected positions' error, from those of the uncorrected ones."""
        count, frames, k, _ = self.draws.shape
        errors = np.nan_to_num(self.draws).reshape(count, frames, 3 * k)
        seen = np.einsum("tmi,dti->dtm", Hx, errors)
        wrong = np.zeros_like(seen)  # of what is held to: the length itself, and what it gives
        kept = np.exp(-np.median(np.diff(self.t_s)) / GIVES_WITHIN_S)
        for j in range(seen.shape[2]):
            length = self.lengths[j] if j < len(self.lengths) else None
            give = np.sqrt(noise[:, j]) if length is None else length.give_m
            wrong[:, :, j] = give * lingering(count, frames, float(kept), rng)
            if length is not None:
                wrong[:, :, j] += length.errors_m[:, None]
        out = errors + np.einsum("tim,dtm->dti", gain, wrong - seen)
        return np.where(self.there[..., None], out.reshape(self.draws.shape), self.draws)


def gain_of(C: Array, H: Array, R: Array) -> Array:
    """(T, N, M) of Bayes' rule for a state of covariance C (T, N, N) and conditions H (T, M, N) with covariance
    R (T, M, M)."""
    CH = C @ H.swapaxes(1, 2)
    return np.asarray(np.linalg.solve(H @ CH + R, CH.swapaxes(1, 2)).swapaxes(1, 2))


def lingering(count: int, frames: int, kept: float, rng: np.random.Generator) -> Array:
    """(count, frames) of variance 1, each keeping a share of the one before."""
    out = rng.standard_normal((count, frames))
    for t in range(1, frames):
        out[:, t] = kept * out[:, t - 1] + np.sqrt(1 - kept**2) * out[:, t]
    return out
