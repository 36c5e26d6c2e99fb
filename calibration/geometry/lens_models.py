"""Lens models: how an undistorted direction lands in the picture. Pure formulas with their derivatives.

A direction is given by its normalised coordinates n = (X / Z, Y / Z) in the camera's frame; a model maps them
to distorted ones, which focal lengths and centre then turn into pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput

SLOTS = 8
"""Room for lens terms in every camera's parameter vector; a model with fewer leaves the rest at zero."""

_Pair = Callable[[Array, Array], tuple[Array, Array]]
_One = Callable[[Array, Array], Array]


@dataclass(frozen=True, slots=True)
class LensModel:
    """name, and the names of its terms in the order in which they fill the slots.

    distort(n (..., 2), terms (K,))   distorted coordinates (..., 2) and their derivative by n (..., 2, 2)
    by_terms(n, terms)                derivative of the distorted coordinates by the terms (..., 2, K)
    """

    name: str
    terms: tuple[str, ...]
    distort: _Pair
    by_terms: _One


def lens_model(name: str) -> LensModel:
    """The named model. Raises BadInput listing those there are."""
    if name not in LENS_MODELS:
        raise BadInput(f"lens model: want one of {', '.join(LENS_MODELS)}, got {name!r}")
    return LENS_MODELS[name]


def _radial(n: Array, terms: Array) -> tuple[Array, Array]:
    """Brown DC (1971), Close-range camera calibration, Photogramm Eng 37:855-866."""
    return _rational(n, np.concatenate([terms, np.zeros(3)]))


def _radial_by_terms(n: Array, terms: Array) -> Array:
    return _rational_by_terms(n, np.concatenate([terms, np.zeros(3)]))[..., :5]


def _rational(n: Array, terms: Array) -> tuple[Array, Array]:
    """Brown's model with a quotient of two polynomials as its radial part (OpenCV's rational model)."""
    k1, k2, p1, p2, k3, k4, k5, k6 = terms
    x, y = n[..., 0], n[..., 1]
    r2 = x * x + y * y
    down = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
    radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / down
    by_r2 = (k1 + r2 * (2 * k2 + 3 * k3 * r2) - radial * (k4 + r2 * (2 * k5 + 3 * k6 * r2))) / down
    out = np.empty(n.shape)
    out[..., 0] = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    out[..., 1] = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    by_n = np.empty((*n.shape, 2))
    by_n[..., 0, 0] = radial + 2 * x * x * by_r2 + 2 * p1 * y + 6 * p2 * x
    by_n[..., 0, 1] = by_n[..., 1, 0] = 2 * x * y * by_r2 + 2 * p1 * x + 2 * p2 * y
    by_n[..., 1, 1] = radial + 2 * y * y * by_r2 + 6 * p1 * y + 2 * p2 * x
    return out, by_n


def _rational_by_terms(n: Array, terms: Array) -> Array:
    k1, k2, _, _, k3, k4, k5, k6 = terms
    x, y = n[..., 0], n[..., 1]
    r2 = x * x + y * y
    down = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
    radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / down
    out = np.empty((*n.shape, 8))
    powers = np.stack([r2, r2**2, r2**3], axis=-1) / down[..., None]
    out[..., [0, 1, 4]] = n[..., :, None] * powers[..., None, :]
    out[..., 5:] = -n[..., :, None] * (powers * radial[..., None])[..., None, :]
    out[..., 0, 2] = out[..., 1, 3] = 2 * x * y
    out[..., 0, 3], out[..., 1, 2] = r2 + 2 * x * x, r2 + 2 * y * y
    return out


def _fisheye(n: Array, terms: Array) -> tuple[Array, Array]:
    """Equidistant projection, the angle θ from the axis corrected by odd powers: Kannala J, Brandt S (2006), A
    generic camera model, IEEE TPAMI 28:1335-1340 (OpenCV's fisheye terms)."""
    r = np.sqrt((n**2).sum(axis=-1))
    on_axis = r < 1e-8
    safe = np.where(on_axis, 1.0, r)
    theta = np.arctan(r)
    bent = theta + _odd_powers(theta) @ terms
    bent_by_theta = 1 + _even_powers(theta) @ (terms * (3, 5, 7, 9))
    scale = np.where(on_axis, 1.0, bent / safe)
    scale_by_r = np.where(on_axis, 0.0, (bent_by_theta / (1 + r * r) - scale) / safe)
    by_n = (n / safe[..., None])[..., :, None] * n[..., None, :] * scale_by_r[..., None, None]
    by_n[..., 0, 0] += scale
    by_n[..., 1, 1] += scale
    return n * scale[..., None], by_n


def _fisheye_by_terms(n: Array, terms: Array) -> Array:
    r = np.sqrt((n**2).sum(axis=-1, keepdims=True))
    share = np.where(r < 1e-8, 0.0, _odd_powers(np.arctan(r[..., 0])) / np.maximum(r, 1e-8))
    return np.asarray(n[..., :, None] * share[..., None, :])


def _odd_powers(theta: Array) -> Array:
    return np.stack([theta**k for k in (3, 5, 7, 9)], axis=-1)


def _even_powers(theta: Array) -> Array:
    return np.stack([theta**k for k in (2, 4, 6, 8)], axis=-1)


LENS_MODELS: Mapping[str, LensModel] = MappingProxyType(
    {
        model.name: model
        for model in (
            LensModel("radial5", ("k1", "k2", "p1", "p2", "k3"), _radial, _radial_by_terms),
            LensModel(
                "rational8", ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6"), _rational, _rational_by_terms
            ),
            LensModel("fisheye4", ("k1", "k2", "k3", "k4"), _fisheye, _fisheye_by_terms),
        )
    }
)
"""Name → model: radial and tangential terms; the same with a rational radial part; equidistant fisheye."""
