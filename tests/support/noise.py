"""Pixel errors made up as a noise shape says."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.checks import Array
from recon.records import NoiseShape


def unit_noise(t_s: Array, shapes: Sequence[NoiseShape], rng: np.random.Generator) -> Array:
    """(T, P, 2) errors of one view with variance 1: white, lingering and lasting parts of each point."""
    out = np.empty((len(t_s), len(shapes), 2))
    for p, shape in enumerate(shapes):
        keeps = np.exp(-np.diff(t_s) / shape.slow_s)
        slow = rng.standard_normal((len(t_s), 2))
        for k, phi in enumerate(keeps, start=1):
            slow[k] = phi * slow[k - 1] + np.sqrt(1 - phi**2) * slow[k]
        white, bias = rng.standard_normal((len(t_s), 2)), rng.standard_normal(2)
        out[:, p] = np.sqrt(shape.white) * white + np.sqrt(shape.slow) * slow + np.sqrt(shape.bias) * bias
    return out
