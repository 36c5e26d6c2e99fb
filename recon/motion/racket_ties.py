"""What ties butt, throat and tip of a racket to each other: conditions, and how far they may be wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from calibration.checks import Array
from recon.motion.holding import GIVES_WITHIN_S, lingering
from recon.motion.lengths import Length
from recon.motion.racket_shape import RacketShape

BEND_M = 0.001
"""Standard deviation of how far a racket is from straight and from its length, per axis; what its points are
off beyond that is theirs."""


def apart_of(difference: Array) -> tuple[Array, Array]:
    """Lengths (T,) and unit vectors (T, 3) of differences (T, 3)."""
    length = np.maximum(np.linalg.norm(difference, axis=1), 1e-6)
    return length, difference / length[:, None]


class Ties(Protocol):
    """M conditions on butt, throat and tip; points: which of the three they tie, the outermost at both ends."""

    @property
    def points(self) -> tuple[int, ...]: ...

    @property
    def rows(self) -> int: ...

    def at(self, x: Array) -> tuple[Array, Array, Array]:
        """What x (T, 3, 3) misses of the conditions (T, M), their gradient (T, M, 9), the axis (T, 3)."""

    def wrong(self, way: Array, frames: int, kept: float, rng: np.random.Generator) -> Array:
        """(D, T, M) draws of how far the true racket is off these conditions."""

    def covariance(self, way: Array) -> Array:
        """(T, M, M) of the same."""

    def rates(self) -> Array:
        """(M,) standard deviations of the conditions' rates."""


@dataclass(frozen=True, slots=True, eq=False)
class RigidTies:
    """Conditions of a racket of known shape: throat in its place between the ends, ends in their distance."""

    shape: RacketShape
    points: tuple[int, ...] = (0, 1, 2)
    rows: int = 4

    def at(self, x: Array) -> tuple[Array, Array, Array]:
        """See Ties."""
        length, way = apart_of(x[:, 2] - x[:, 0])
        s = self.shape.share
        off = x[:, 1] - (1 - s) * x[:, 0] - s * x[:, 2]
        missing = np.concatenate([-off, (self.shape.length_m - length)[:, None]], axis=1)
        H = np.zeros((len(x), 4, 3, 3))
        H[:, :3] = np.array([-(1 - s), 1.0, -s])[:, None] * np.eye(3)[:, None]
        H[:, 3, 0], H[:, 3, 2] = -way, way
        return missing, H.reshape(len(x), 4, 9), way

    def wrong(self, way: Array, frames: int, kept: float, rng: np.random.Generator) -> Array:
        """See Ties."""
        s, errors = self.shape.share, self.shape.errors_m
        count = len(errors)
        bends = np.stack([lingering(count, frames, kept, rng) for _ in range(3)], axis=2)
        along = ((1 - s) * errors[:, 0] - s * errors[:, 1])[:, None, None] * way
        length = errors.sum(axis=1)[:, None] + BEND_M * lingering(count, frames, kept, rng)
        return np.concatenate([BEND_M * bends + along, length[:, :, None]], axis=2)

    def covariance(self, way: Array) -> Array:
        """See Ties."""
        s = self.shape.share
        to_rows = np.zeros((len(way), 4, 2))
        to_rows[:, :3, 0], to_rows[:, :3, 1] = (1 - s) * way, -s * way
        to_rows[:, 3] = 1.0
        lasting = to_rows @ self.shape.covariance_m2 @ to_rows.swapaxes(1, 2)
        return np.asarray(lasting + BEND_M**2 * np.eye(4))

    def rates(self) -> Array:
        """See Ties."""
        return np.full(4, BEND_M / GIVES_WITHIN_S)


@dataclass(frozen=True, slots=True, eq=False)
class LengthTie:
    """The one condition of two points in a known distance; the third is not tied."""

    length: Length
    points: tuple[int, ...]
    rows: int = 1

    def at(self, x: Array) -> tuple[Array, Array, Array]:
        """See Ties."""
        i, j = self.points
        length, way = apart_of(x[:, j] - x[:, i])
        H = np.zeros((len(x), 1, 3, 3))
        H[:, 0, i], H[:, 0, j] = -way, way
        return (self.length.length_m - length)[:, None], H.reshape(len(x), 1, 9), way

    def wrong(self, way: Array, frames: int, kept: float, rng: np.random.Generator) -> Array:
        """See Ties."""
        errors = self.length.errors_m[:, None]
        gives = self.length.give_m * lingering(len(errors), frames, kept, rng)
        return np.asarray((errors + gives)[:, :, None])

    def covariance(self, way: Array) -> Array:
        """See Ties."""
        return np.full((len(way), 1, 1), self.length.give_m**2 + self.length.u_m**2)

    def rates(self) -> Array:
        """See Ties."""
        return np.array([self.length.give_m / GIVES_WITHIN_S])
