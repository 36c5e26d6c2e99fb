"""Lengths that do not change while a player serves, as the points' own motion tells them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from recon.records import other_side

SPANS: tuple[tuple[str, str], ...] = (
    *((f"{side}_{a}", f"{side}_{b}") for side in ("left", "right") for a, b in (
        ("shoulder", "elbow"), ("elbow", "wrist"), ("hip", "knee"), ("knee", "ankle"), ("ankle", "heel"),
        ("heel", "toe"),
    )),
    ("left_hip", "right_hip"),
)  # fmt: skip
"""Pairs of points of one bone, one foot or the pelvis; the racket is a rigid body of its own (racket.py).
Shoulder girdle, trunk, neck and hand are not among them: they change their length or shape in a serve."""

LEAST_INSTANTS = 20
_LEAST_GIVE_M = 0.0005  # no two points of a body or racket are held more rigidly than this
_BIAS_UNSURE = 0.5  # the lengthening is taken off to second order; its rest was up to half of it in trials
_EVEN = 0.5  # of the mean variance: errors turn a span too, and sharp weights would pick the short ones
_SIDES_DIFFER = 0.015  # of a bone's length, standard deviation: bodies by 1 % (from memory), detectors somewhat
_ROUNDS = 5
_APART2 = 9.0


@dataclass(frozen=True, slots=True, eq=False)
class Length:
    """One length of one player or racket.

    length_m     the most likely one, and its standard uncertainty u_m, pixels alone
    give_m       standard deviation by which the points' distance changes beyond what their pixels explain:
                 skin, cloth and a detector's ways with a posture
    errors_m     (D,) draws of its error, those of the points that it was found from
    """

    ends: tuple[str, str]
    length_m: float
    u_m: float
    give_m: float
    errors_m: Array

    def sentence(self) -> str:
        """For a run's record."""
        a, b = (end.replace("_", " ") for end in self.ends)
        mm = [1e3 * x for x in (self.length_m, self.u_m, self.give_m)]
        return f"{a} to {b}: {mm[0]:.0f} mm, u {mm[1]:.1f} mm from the pixels, gives by {mm[2]:.1f} mm"


@dataclass(frozen=True, slots=True, eq=False)
class Span:
    """Two points over time: apart_m (T,), the way from the second to the first, unit vectors (T, 3), and the
    variances of their difference along it and over both directions across it together; NaN where unknown."""

    ends: tuple[str, str]
    apart_m: Array
    way: Array
    along_var: Array
    across_var: Array

    @classmethod
    def of(cls, ends: tuple[str, str], difference_m: Array, covariance_m2: Array) -> Span:
        """From the points' difference (T, 3) and its covariance (T, 3, 3)."""
        apart = np.linalg.norm(difference_m, axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            way = difference_m / apart[:, None]
        along = np.einsum("ti,tij,tj->t", way, covariance_m2, way)
        return cls(ends, apart, way, along, np.trace(covariance_m2, axis1=1, axis2=2) - along)

    def told_m(self) -> Array:
        """(T,) the length as every instant tells it: errors across a span make its ends look farther apart."""
        return np.asarray(self.apart_m - self.across_var / (2 * self.apart_m))


def length_of(span: Span, draws_m: Array) -> Length | None:
    """The length behind a span, instants far from the others counting less; None where seen too rarely.

    draws_m (D, T, 3): draws of the difference's error. What they do to the weighted mean is its uncertainty:
    errors that linger or last do not average out.
    """
    told = span.told_m()
    known = np.isfinite(told)
    if known.sum() < LEAST_INSTANTS:
        return None
    var, told = span.along_var[known], told[known]
    middle, give2 = float(np.median(told)), _LEAST_GIVE_M**2
    for _ in range(_ROUNDS):
        total = var + give2 + _EVEN * float(var.mean())
        w = 1 / (total * (1 + (told - middle) ** 2 / total / _APART2))
        w /= w.sum()
        middle = float(w @ told)
        give2 = max(float(w @ ((told - middle) ** 2 - var)), _LEAST_GIVE_M**2)
    errors = np.einsum("t,dti,ti->d", w, draws_m[:, known], span.way[known])
    bias = float(w @ (span.apart_m[known] - told))
    u = float(np.hypot(errors.std(ddof=1), _BIAS_UNSURE * bias))
    return Length(span.ends, middle, u, float(np.sqrt(give2)), errors)


def alike(lengths: Sequence[Length], rng: np.random.Generator) -> list[Length]:
    """The lengths once it is known that left and right differ little: Bayes' rule for both of a pair.

    A side that was hardly seen takes its length from the other; what both are surely told to differ by stays.
    """
    by_ends = {found.ends: found for found in lengths}
    out = []
    for own in lengths:
        other = by_ends.get((other_side(own.ends[0]), other_side(own.ends[1])))
        if other is None or other is own:
            out.append(own)
            continue
        differ = _SIDES_DIFFER * (own.length_m + other.length_m) / 2
        share = own.u_m**2 / (own.u_m**2 + other.u_m**2 + differ**2)
        apart = own.errors_m - other.errors_m + differ * rng.standard_normal(len(own.errors_m))
        out.append(
            replace(
                own,
                length_m=own.length_m - share * (own.length_m - other.length_m),
                u_m=own.u_m * float(np.sqrt(1 - share)),
                errors_m=own.errors_m - share * apart,
            )
        )
    return out
