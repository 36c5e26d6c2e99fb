"""Least squares over a chain in time and a few constants: information that is a narrow band with a border."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.linalg.lapack import dtbtrs

from calibration.checks import Array

BAND = 2
"""An instant is tied to the two on either side of it."""


@dataclass(frozen=True, eq=False)
class Bordered:
    """Information of T instants and B constants.

    band (BAND + 1, T)  upper diagonals of the instants' part, the main one last, as scipy's banded matrices
    border (T, B), corner (B, B)
    """

    band: Array
    border: Array
    corner: Array

    @classmethod
    def smooth(cls, frames: int, bend_sd: float, loose_sd: float, constants_sd: Array) -> Bordered:
        """Prior: second differences of sd bend_sd, values of sd loose_sd about zero, constants about theirs."""
        band = np.zeros((BAND + 1, frames))
        for i, a in enumerate((1.0, -2.0, 1.0)):
            for j, b in enumerate((1.0, -2.0, 1.0)):
                if j >= i:
                    band[BAND - (j - i), j : frames - 2 + j] += a * b / bend_sd**2
        band[BAND] += 1 / loose_sd**2
        return cls(band, np.zeros((frames, len(constants_sd))), np.diag(1 / np.asarray(constants_sd) ** 2))

    def plus(self, before: NDArray[np.intp], D: Array, weight: Array) -> Bordered:
        """With observations of instants `before` and the next and of all constants: D (M, d, 2 + B)."""
        blocks = np.einsum("m,mai,maj->mij", weight, D, D)
        band, border = self.band.copy(), self.border.copy()
        for i in range(2):
            np.add.at(band[BAND], before + i, blocks[:, i, i])
            np.add.at(border, before + i, blocks[:, i, 2:])
        np.add.at(band[BAND - 1], before + 1, blocks[:, 0, 1])
        return Bordered(band, border, self.corner + blocks[:, 2:, 2:].sum(axis=0))

    def times(self, x: Array) -> Array:
        """The matrix times (T + B,)."""
        chain, constants = x[: self.band.shape[1]], x[self.band.shape[1] :]
        out = self.band[BAND] * chain + self.border @ constants
        for k in range(1, BAND + 1):
            off = self.band[BAND - k, k:]
            out[k:] += off * chain[:-k]
            out[:-k] += off * chain[k:]
        return np.concatenate([out, self.border.T @ chain + self.corner @ constants])

    @cached_property
    def _parts(self) -> tuple[Array, Array, Array]:
        """Root of the band, the border seen through it, and the constants' own information."""
        root = cholesky_banded(self.band)
        through = cho_solve_banded((root, False), self.border)
        return root, through, self.corner - self.border.T @ through

    def solve(self, g: Array) -> Array:
        """(T + B,) x of matrix · x = g."""
        root, through, own = self._parts
        chain, constants = g[: len(through)], g[len(through) :]
        y = np.linalg.solve(own, constants - through.T @ chain)
        return np.concatenate([cho_solve_banded((root, False), chain) - through @ y, y])

    def draws(self, count: int, rng: np.random.Generator) -> Array:
        """(count, T + B) errors whose covariance is the inverse."""
        root, through, own = self._parts
        constants = np.linalg.solve(np.linalg.cholesky(own).T, rng.standard_normal((len(own), count)))
        chain, _ = dtbtrs(root, rng.standard_normal((len(through), count)), uplo="U")
        return np.concatenate([chain - through @ constants, constants]).T
