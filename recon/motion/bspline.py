"""Uniform cubic B-splines in space: basis, value, derivative, and the banded systems of a penalised fit.

Source: de Boor C (1978), A Practical Guide to Splines; penalty on third differences of the control points
after Eilers PHC, Marx BD (1996), Statistical Science 11:89-121.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded

from calibration.checks import Array

_BLOCKS = 4  # a cubic spline value depends on four control points
_BAND = 3 * _BLOCKS - 1  # half bandwidth of the normal matrix with three coordinates interleaved


@dataclass(frozen=True, slots=True)
class KnotGrid:
    """Evenly spaced knots: start_s + k · step_s, k = 0 … intervals."""

    start_s: float
    step_s: float
    intervals: int

    @property
    def controls(self) -> int:
        """Number of control points."""
        return self.intervals + 3

    def basis(self, t_s: Array) -> tuple[NDArray[np.intp], Array, Array]:
        """First control index (n,), weights (n, 4) of value and (n, 4) of time derivative (1/s).

        Times outside the knots use the end interval's polynomial.
        """
        u = (np.asarray(t_s, dtype=float) - self.start_s) / self.step_s
        first = np.clip(np.floor(u), 0, self.intervals - 1).astype(np.intp)
        f = u - first
        g = 1 - f
        value = np.stack([g**3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3], axis=-1) / 6
        slope = np.stack([-(g**2), 3 * f**2 - 4 * f, -3 * f**2 + 2 * f + 1, f**2], axis=-1) / 2
        return first, value, slope / self.step_s


def evaluate(grid: KnotGrid, control_m: Array, t_s: Array) -> tuple[Array, Array]:
    """Positions (n, 3) and velocities (n, 3) of a spline with control points (controls, 3)."""
    first, value, slope = grid.basis(t_s)
    pieces = control_m[first[:, None] + np.arange(_BLOCKS)]
    return np.einsum("nk,nki->ni", value, pieces), np.einsum("nk,nki->ni", slope, pieces)


@dataclass(frozen=True, slots=True, eq=False)
class NormalSystem:
    """Banded normal equations of a spline fit: band (12, 3·controls), lower form, and right side (3·controls,).

    constant is the weighted sum of squares of the right-hand data, rows the number of scalar observations.
    """

    band: Array
    right: Array
    constant: float
    rows: int


def normal_system(grid: KnotGrid, t_s: Array, information: Array, target: Array) -> NormalSystem:
    """Normal equations of Σ (x(tᵢ) − targetᵢ)ᵀ informationᵢ (x(tᵢ) − targetᵢ).

    information (n, 3, 3) may be singular (one view sees two of three directions); target (n, 3).
    """
    first, value, _ = grid.basis(t_s)
    blocks = np.zeros((grid.controls, _BLOCKS, 3, 3))  # [i, d] couples control i + d (rows) with control i
    right = np.zeros((grid.controls, 3))
    pull = np.einsum("nij,nj->ni", information, target)
    for a in range(_BLOCKS):
        np.add.at(right, first + a, value[:, a, None] * pull)
        for d in range(_BLOCKS - a):
            weight = (value[:, a] * value[:, a + d])[:, None, None]
            np.add.at(blocks[:, d], first + a, weight * information)
    constant = float(np.einsum("ni,ni->", pull, target))
    return NormalSystem(_to_band(blocks), right.ravel(), constant, int(2 * len(first)))


def _to_band(blocks: Array) -> Array:
    """Block-banded symmetric matrix to LAPACK's lower band storage."""
    controls = len(blocks)
    band = np.zeros((_BAND + 1, 3 * controls))
    for d in range(_BLOCKS):
        for row in range(3):
            for column in range(3):
                offset = 3 * d + row - column
                if offset >= 0:
                    band[offset, column::3] += blocks[:, d, row, column]
    return band


def roughness(grid: KnotGrid) -> Array:
    """Lower band (12, 3·controls) of the penalty ‖third differences of the control points‖²."""
    n = grid.controls
    difference = np.array([(-1) ** (3 - k) * comb(3, k) for k in range(4)], dtype=float)
    blocks = np.zeros((n, _BLOCKS, 3, 3))
    for a in range(4):
        for d in range(4 - a):
            blocks[a : n - 3 + a, d] += difference[a] * difference[a + d] * np.eye(3)
    return _to_band(blocks)


def solve(system: NormalSystem, penalty: Array, strength: float) -> tuple[Array, float]:
    """Control points (controls, 3) of the penalised fit, and log-determinant of its matrix.

    Raises numpy.linalg.LinAlgError where the data leave some direction undetermined.
    """
    factor = cholesky_banded(system.band + strength * penalty, lower=True)
    control = cho_solve_banded((factor, True), system.right)
    return control.reshape(-1, 3), float(2 * np.log(factor[0]).sum())


def band_product(band: Array, x: Array) -> Array:
    """Symmetric matrix in lower band storage times a vector."""
    out = band[0] * x
    for k in range(1, len(band)):
        out[k:] += band[k, :-k] * x[:-k]
        out[:-k] += band[k, :-k] * x[k:]
    return np.asarray(out)


def restricted_deviance(system: NormalSystem, penalty: Array, strength: float) -> float:
    """−2 log restricted likelihood of a smoothing strength, noise scale profiled out (up to a constant).

    Source: Wood SN (2011), J R Statist Soc B 73:3-36, for a Gaussian model with one penalty.
    """
    control, log_determinant = solve(system, penalty, strength)
    c = control.ravel()
    rough = float(c @ band_product(penalty, c))
    misfit = system.constant - 2 * float(c @ system.right) + float(c @ band_product(system.band, c))
    free = 9  # a third-difference penalty leaves a parabola in each of three coordinates
    rank = len(c) - free
    degrees = max(system.rows - free, 1)
    return (
        degrees * float(np.log(max(misfit + strength * rough, 1e-300)))
        + log_determinant
        - rank * float(np.log(strength))
    )
