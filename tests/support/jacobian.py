"""One helper that compares an analytic derivative with central differences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.checks import Array


def assert_jacobian(f: Callable[[Array], Array], jacobian: Array, x: Array, rtol: float = 1e-6) -> None:
    """jacobian (..., N) is the derivative of f (...) at x (N,); says which entry is wrong and by how much.

    The step is scaled to x; the error counts against the size of the whole column, so that entries which are
    small beside their neighbours are not judged by rounding.
    """
    step = np.cbrt(np.finfo(float).eps) * np.maximum(1.0, np.abs(x))
    columns = [(f(x + s) - f(x - s)) / (2 * step[k]) for k, s in enumerate(np.diag(step))]
    numeric = np.stack(columns, axis=-1)
    size = np.abs(numeric).max(axis=tuple(range(numeric.ndim - 1)), keepdims=True)
    error = np.abs(numeric - jacobian) / np.maximum(1.0, size)
    at = tuple(int(i) for i in np.unravel_index(error.argmax(), error.shape))
    assert error.max() < rtol, f"derivative at {at}: relative error {error.max():.1e}"
