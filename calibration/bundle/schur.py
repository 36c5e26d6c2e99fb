"""Elimination of the board poses from the normal equations, compiled.

Every board's six unknowns meet only the cameras that see it, so they drop out block by block (Schur
complement): Triggs B et al. (1999), Bundle adjustment - a modern synthesis, section 6.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.checks import Array


@njit(cache=True)
def _factor(block: Array, gradient: Array, damping: float, L: Array, y: Array) -> bool:
    """Cholesky factor L of one damped block (6, 6), and y = L⁻¹ gradient. False if not positive definite."""
    for i in range(6):
        for j in range(i + 1):
            s = block[i, j] * (1 + damping if i == j else 1.0)
            for k in range(j):
                s -= L[i, k] * L[j, k]
            if i > j:
                L[i, j] = s / L[j, j]
            elif s > 0:
                L[i, i] = np.sqrt(s)
            else:
                return False
        s = gradient[i]
        for k in range(i):
            s -= L[i, k] * y[k]
        y[i] = s / L[i, i]
    return True


@njit(cache=True)
def _whiten(coupling: Array, L: Array, low: int, high: int, Y: Array) -> None:
    """Y = L⁻¹ coupling, in the columns low to high."""
    for i in range(6):
        for c in range(low, high):
            Y[i, c] = coupling[i, c]
        for k in range(i):
            f = L[i, k]
            for c in range(low, high):
                Y[i, c] -= f * Y[k, c]
        f = 1 / L[i, i]
        for c in range(low, high):
            Y[i, c] *= f


@njit(cache=True)
def _subtract(Y: Array, y: Array, spans: NDArray[np.int64], n: int, matrix: Array, right: Array) -> None:
    """matrix -= Yᵀ Y (lower triangle), right -= Yᵀ y, over the filled columns."""
    for span in range(n):
        for r in range(spans[span, 0], spans[span, 1]):
            for k in range(6):
                f = Y[k, r]
                if f != 0.0:
                    right[r] -= f * y[k]
                    for other in range(span + 1):
                        for c in range(spans[other, 0], min(spans[other, 1], r + 1)):
                            matrix[r, c] -= f * Y[k, c]


@njit(cache=True)
def eliminate(
    Hgg: Array, gg: Array, Hgb: Array, Hbb: Array, gb: Array, spans: NDArray[np.int64],
    n_spans: NDArray[np.int64], damping: float, matrix: Array, right: Array, Y: Array, y: Array, L: Array,
) -> bool:  # fmt: skip
    """Fills matrix (G, G, lower triangle) and right (G,): the system of all unknowns but the boards'.

    Hgb (B, 6, G), Hbb (B, 6, 6), gb (B, 6). spans (B, S, 2), n_spans (B,): ends of each stretch of columns of
    Hgb[b] that is not zero, in increasing order. Y, y, L are kept for `boards_from`. False where a board's
    own block is not positive definite.
    """
    matrix[:] = Hgg
    right[:] = gg
    for i in range(len(gg)):
        matrix[i, i] *= 1 + damping
    for b in range(len(Hbb)):
        if not _factor(Hbb[b], gb[b], damping, L[b], y[b]):
            return False
        for span in range(n_spans[b]):
            _whiten(Hgb[b], L[b], spans[b, span, 0], spans[b, span, 1], Y[b])
        _subtract(Y[b], y[b], spans[b], n_spans[b], matrix, right)
    return True


@njit(cache=True)
def boards_from(
    step: Array, spans: NDArray[np.int64], n_spans: NDArray[np.int64], Y: Array, y: Array, L: Array,
    boards: Array,
) -> None:  # fmt: skip
    """Fills the boards' steps (B, 6) that go with the other unknowns' step (G,)."""
    for b in range(len(L)):
        for k in range(6):
            s = y[b, k]
            for span in range(n_spans[b]):
                for c in range(spans[b, span, 0], spans[b, span, 1]):
                    s -= Y[b, k, c] * step[c]
            boards[b, k] = s
        for i in range(5, -1, -1):
            s = boards[b, i]
            for k in range(i + 1, 6):
                s -= L[b, k, i] * boards[b, k]
            boards[b, i] = s / L[b, i, i]
