"""What the detector gets wrong in a picture, told from the posture as that camera sees it.

An arm that points at the camera, a hip behind a hand: the detector errs there in much the same way with every
athlete. A Gaussian process learned these errors from the study's athletes; far from every posture that the
study has seen it says nothing, and says so.
Source: Quiñonero-Candela J, Rasmussen CE (2005), J Mach Learn Res 6:1939-1959 (from memory): subset of
regressors, and how much of the prior's variance the chosen postures leave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.records import BODY, other_side

_LIMBS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "toe")
POSTURE: tuple[str, ...] = ("nose", *(f"{side}_{part}" for part in _LIMBS for side in ("left", "right")))
"""The points that make up a posture."""
PARTS: tuple[str, ...] = tuple(dict.fromkeys(name.split("_")[-1] for name in BODY))
_MOST_DOUBT = 1.2  # a factor of 3.3 either way
_JITTER = 1e-6  # of the kernel's diagonal, for near-alike postures


def mirrored(postures: Array) -> Array:
    """Postures (T, 17, 3) of mirrored bodies: left and right exchanged, and the picture's x turned round."""
    other = [POSTURE.index(other_side(name)) for name in POSTURE]
    return np.asarray(postures[:, other] * np.array([-1.0, 1.0, 1.0]))


@dataclass(frozen=True, slots=True, eq=False)
class Foretold:
    """What is known beforehand of a detector's errors in some postures.

    errors  (T, P, 2) detected minus true plus the common offset, as shares of the player's height in the
            picture, in its x and y
    larger  (T, P) by what factor an error that is left is larger than usual: a hidden arm is found less surely
    known   (T,) how far all this is known, 0 to 1
    """

    errors: Array
    larger: Array
    known: Array


@dataclass(frozen=True, slots=True, eq=False)
class ViewErrors:
    """Errors of the right side's points and the nose, as a Gaussian process over postures.

    middle, width  (51,) of the study's postures: what makes the numbers of a posture comparable
    shown          (M, 51) postures that stand for all, in these units
    reach          distance in these units at which one tells e^-½ of what it tells about itself
    weights        (M, 14, 2) of each for each part's error (x, y of the picture), shares of apparent height
    doubt          (M, 14) of each for the logarithm of how much larger than usual an error is that is left
    """

    middle: Array
    width: Array
    shown: Array
    reach: float
    weights: Array
    doubt: Array

    def __post_init__(self) -> None:
        size, count = 3 * len(POSTURE), len(self.shown)
        shapes = {
            "middle": (size,), "width": (size,), "shown": (count, size), "weights": (count, len(PARTS), 2),
            "doubt": (count, len(PARTS)),
        }  # fmt: skip
        for field, shape in shapes.items():
            object.__setattr__(self, field, checked(getattr(self, field), shape, f"view errors: {field}"))
        if not (self.reach > 0 and (self.width > 0).all()):
            raise BadInput(f"view errors: want a reach and widths above 0, got {self.reach}, {self.width}")

    def of(self, postures: Array) -> Foretold:
        """What such postures bring, of all body points.

        postures (T, 17, 3): POSTURE in the axes of the view, as shares of the body's size (recon/joints).
        NaN where the posture is.
        """
        both = self.right_side(np.concatenate([postures, mirrored(postures)]))
        errors, larger = np.empty((len(postures), len(BODY), 2)), np.empty((len(postures), len(BODY)))
        for p, name in enumerate(BODY):
            part, left = PARTS.index(name.split("_")[-1]), name.startswith("left_")
            own = slice(len(postures), None) if left else slice(len(postures))
            errors[:, p] = both.errors[own, part] * [-1.0 if left else 1.0, 1.0]
            larger[:, p] = both.larger[own, part]
        return Foretold(errors, larger, np.mean(np.split(both.known, 2), axis=0))

    def near(self, postures: Array) -> Array:
        """(T, M) how much each posture that is shown tells about some postures (T, 51)."""
        return kernel((postures - self.middle) / self.width, self.shown, self.reach)

    def right_side(self, postures: Array) -> Foretold:
        """The same of the 14 parts of the right side and the middle."""
        K = self.near(postures.reshape(len(postures), -1))
        own = kernel(self.shown, self.shown, self.reach) + _JITTER * np.eye(len(self.shown))
        sound = np.isfinite(K).all(axis=1)
        known = np.full(len(K), np.nan)
        known[sound] = np.einsum("tm,mt->t", K[sound], cho_solve(cho_factor(own), K[sound].T))
        larger = np.exp(np.clip(K @ self.doubt, -_MOST_DOUBT, _MOST_DOUBT))
        return Foretold(np.einsum("tm,mpi->tpi", K, self.weights), larger, np.clip(known, 0.0, 1.0))


def kernel(a: Array, b: Array, reach: float) -> Array:
    """(A, B) how much one posture tells about another: exp(−distance² / 2 reach²)."""
    squared = (a**2).sum(axis=1)[:, None] + (b**2).sum(axis=1) - 2 * a @ b.T
    return np.asarray(np.exp(-np.maximum(squared, 0.0) / (2 * reach**2)))
