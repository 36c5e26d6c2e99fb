"""The one array check: shape, finiteness, read-only copy."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.errors import BadInput

Array = NDArray[np.float64]


def checked(value: ArrayLike, shape: tuple[int | None, ...], name: str, *, allow_nan: bool = False) -> Array:
    """A read-only float64 copy of `value`, after checking it.

    shape: wanted shape, None where any length is allowed.
    allow_nan: NaN may stand for "absent"; infinities never may.
    Raises BadInput naming `name`, the wanted and the given shape, or the first bad entry.
    """
    out = np.array(value, dtype=np.float64)
    if out.ndim != len(shape) or any(w not in (None, g) for g, w in zip(out.shape, shape, strict=True)):
        wanted = tuple("any" if w is None else w for w in shape)
        raise BadInput(f"{name}: want shape {wanted}, got {out.shape}")
    bad = np.isinf(out) if allow_nan else ~np.isfinite(out)
    if bad.any():
        raise BadInput(f"{name}: not finite at index {np.argwhere(bad)[0].tolist()}")
    out.flags.writeable = False
    return out


def flat(value: ArrayLike) -> Array:
    """A float64 vector (N,) of whatever shape came in; for what OpenCV hands back as columns."""
    return np.asarray(value, dtype=np.float64).reshape(-1)
