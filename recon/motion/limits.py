"""How far elbows, knees and ankles bend: soft limits, as conditions on their points.

A limit is no wall: people differ, and detected points sit a little off the joints. Beyond it an angle becomes
less and less likely, as the tail of a normal distribution; well within it nothing changes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from calibration.checks import Array

Points = Mapping[str, Array]
"""Keypoint → (T, 3)."""
_BENT_MOST_RAD = np.radians(30.0)  # interior angle of an elbow or knee bent as far as most can (150°)
_ANKLE_RAD = np.radians([40.0, 155.0])  # shank against sole: knee far over the toes, to toes pointed
_SOFT_RAD = np.radians(6.0)  # standard deviation of a limit over people, and of what detected points add
_BACKWARDS = 0.04  # a knee behind the line from hip to ankle, shares of that line: some 9° beyond straight
_SOFT_BACKWARDS = 0.02
_TOES_POINT = 0.5  # a foot that points along the leg, by the share of it across, does not tell its front
_LEAST_GAIN = 1e-3
_FLAT = 1e-3  # sine: at 0 and 180 degrees an angle has no gradient


@dataclass(frozen=True, slots=True, eq=False)
class Limited:
    """A quantity that has a limit.

    inside    (T,) how far it is inside, negative beyond, NaN where unknown
    gradient  of that in the points: keypoint -> (T, 3)
    soft      standard deviation of the limit
    """

    name: str
    inside: Array
    gradient: Points
    soft: float


@dataclass(frozen=True, slots=True, eq=False)
class Pull:
    """A condition that stands for a limit: by how much the quantity should grow if nothing else were known, and
    the variance of that knowledge, (T,); a variance without end where the limit says nothing.
    """

    missing: Array
    variance: Array


def limits_of(points: Points) -> tuple[Limited, ...]:
    """All limits whose points are there.

    Ranges: elbow and knee 150° of flexion, knee some 10° beyond straight, ankle 50° up and 65° down under load
    (goniometry's usual norms, widened to what sport asks for; from memory).
    """
    out = []
    for side in ("left", "right"):
        for name, needs, build in _BY_JOINT:
            named = [f"{side}_{part}" for part in needs]
            if all(n in points for n in named):
                out += build(
                    f"{side} {name}", {part: (n, points[n]) for part, n in zip(needs, named, strict=True)}
                )
    return tuple(out)


def pull(limited: Limited, variance: Array) -> Pull:
    """What the limit says to a quantity of that variance (T,), as a linear condition with a Gaussian error.

    The limit's likelihood is a normal distribution function; the condition gives the same mean and variance as
    Bayes' rule with it (expectation propagation's site for a probit; Rasmussen CE, Williams CKI (2006),
    Gaussian Processes for Machine Learning, section 3.6; from memory).
    """
    total = np.sqrt(variance + limited.soft**2)
    z = np.nan_to_num(limited.inside / total, nan=np.inf)
    steep = np.exp(norm.logpdf(z) - norm.logcdf(z))
    gain = variance / total**2 * steep * np.where(np.isfinite(z), steep + z, 0.0)
    says = gain > _LEAST_GAIN
    gain = np.where(says, gain, 1.0)
    missing = np.where(says, variance / total * steep / gain, 0.0)
    return Pull(missing, np.where(says, variance * (1 - gain) / gain, np.inf))


Named = Mapping[str, tuple[str, Array]]
"""Body part -> keypoint and its points."""


def _hinge(name: str, p: Named) -> list[Limited]:
    """An elbow or knee: named from the trunk outwards, the middle one bends."""
    (a, xa), (b, xb), (c, xc) = p.values()
    angle, to_first, to_second = _between(xa - xb, xc - xb)
    gradient = {a: to_first, b: -to_first - to_second, c: to_second}
    return [Limited(f"{name} bent", angle - _BENT_MOST_RAD, gradient, float(_SOFT_RAD))]


def _ankle(name: str, p: Named) -> list[Limited]:
    (k, knee), (a, ankle), (h, heel), (t, toe) = (p[part] for part in ("knee", "ankle", "heel", "toe"))
    angle, to_shank, to_sole = _between(knee - ankle, toe - heel)
    gradient = {k: to_shank, a: -to_shank, t: to_sole, h: -to_sole}
    least, most = _ANKLE_RAD
    return [
        Limited(f"{name} up", angle - least, gradient, float(_SOFT_RAD)),
        Limited(f"{name} down", most - angle, {n: -g for n, g in gradient.items()}, float(_SOFT_RAD)),
    ]


def _backwards(name: str, p: Named) -> list[Limited]:
    """A knee in front of the line from hip to ankle; the foot tells where the front is."""
    (h, hip), (k, knee), (a, ankle) = (p[part] for part in ("hip", "knee", "ankle"))
    line = ankle - hip
    length = np.linalg.norm(line, axis=1, keepdims=True)
    sole = p["toe"][1] - p["heel"][1]
    with np.errstate(invalid="ignore", divide="ignore"):
        sole = sole / np.linalg.norm(sole, axis=1, keepdims=True)
        front = sole - (sole * line).sum(axis=1, keepdims=True) * line / length**2
        across = np.linalg.norm(front, axis=1, keepdims=True)
        front = np.where(across > _TOES_POINT, front / across, np.nan)
        share = ((knee - hip) * line).sum(axis=1, keepdims=True) / length**2
    forward = ((knee - hip) * front).sum(axis=1) / length[:, 0]
    gradient = {h: -(1 - share) * front / length, k: front / length, a: -share * front / length}
    return [Limited(f"{name} backwards", forward + _BACKWARDS, gradient, _SOFT_BACKWARDS)]


_BY_JOINT: Sequence[tuple[str, tuple[str, ...], Callable[[str, Named], list[Limited]]]] = (
    ("elbow", ("shoulder", "elbow", "wrist"), _hinge),
    ("knee", ("hip", "knee", "ankle"), _hinge),
    ("knee", ("hip", "knee", "ankle", "heel", "toe"), _backwards),
    ("ankle", ("knee", "ankle", "heel", "toe"), _ankle),
)


def _between(u: Array, w: Array) -> tuple[Array, Array, Array]:
    """Angle (T,) between vectors (T, 3), and its gradients in both."""
    with np.errstate(invalid="ignore", divide="ignore"):
        lengths = [np.linalg.norm(x, axis=1, keepdims=True) for x in (u, w)]
        a, b = u / lengths[0], w / lengths[1]
        cosine = np.clip((a * b).sum(axis=1, keepdims=True), -1.0, 1.0)
        sine = np.maximum(np.sqrt(1 - cosine**2), _FLAT)
        to_u, to_w = (a * cosine - b) / sine / lengths[0], (b * cosine - a) / sine / lengths[1]
    return np.arccos(cosine[:, 0]), to_u, to_w
