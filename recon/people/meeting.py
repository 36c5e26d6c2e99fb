"""Whether two cameras see one person: do the rays of the whole skeleton meet, in a body on the court?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.people.sightings import FEET, HIPS, NOSE, Sighting, middles

MISS_M = 0.10
"""How far the rays of one person's point pass each other: some 5 px of the detector at 10 m, and 1 m/s for a
few frames of clocks that are not known yet."""
_FEET_M = 0.12
IN_THE_AIR_M = 0.35  # lowest part of a foot at the top of a jump (common practice: 0.1 to 0.3 m)
_STANDING_M = 0.15
_NOSE_M = (0.7, 2.2)  # above the feet: a child in deep bend, a tall adult in the air
_NEVER_M = 1000.0
WORST = 50.0
"""What a pair costs at most: one wild sighting must not decide over a whole path."""
ENOUGH = 6  # of the fourteen points: own keypoints may come without hands and feet
ONE_PERSON = 6.0
"""A pair that costs less may be one person."""


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Rays through the middle points of bodies (K,) of one camera: rays (K, 14, 3), centre_m (3,)."""

    rays: Array
    centre_m: Array

    @staticmethod
    def of(camera: Camera, sightings: Sequence[Sighting]) -> View:
        """The rays of a camera's sightings."""
        return View.through(camera, np.array([s.uv_px for s in sightings]))

    @staticmethod
    def through(camera: Camera, uv_px: Array) -> View:
        """The rays of bodies (K, 27, 2) in one camera's pictures."""
        return View(camera.rays(middles(uv_px)), camera.centre_m())


def closest(one: View, other: View) -> tuple[Array, Array]:
    """Where the rays of bodies (K,) pass each other: points (K, 14, 3); by how far they miss: (K, 14), metres.

    NaN and a kilometre behind a camera;
    NaN both where a ray is not known. one and other have as many bodies; broadcasting works.
    """
    d, e = one.rays, other.rays
    between = other.centre_m - one.centre_m
    cos = (d * e).sum(-1)
    p, q = d @ between, e @ between
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (p - cos * q) / (1 - cos**2)
        t = (cos * p - q) / (1 - cos**2)
    first, second = one.centre_m + s[..., None] * d, other.centre_m + t[..., None] * e
    ahead = (s > 0) & (t > 0)
    points = np.where(ahead[..., None], (first + second) / 2, np.nan)
    miss = np.where(ahead, np.linalg.norm(first - second, axis=-1), _NEVER_M)
    miss = np.nan_to_num(miss, nan=_NEVER_M, posinf=_NEVER_M)
    return points, np.where(np.isnan(cos), np.nan, miss)


def cost(one: View, other: View, up_m: float = _STANDING_M) -> Array:
    """How little two views' bodies (K,) look like one person, in squared sigmas, at most WORST.

    The median miss of the whole skeleton, feet that are under the ground or high above it, and a body too short
    or too tall. Rays of two people may meet too: where the planes through the cameras cross, but there the feet
    hang in the air, or the body is a dwarf's or a giant's. up_m: how high feet may be all the same.
    """
    points, miss = closest(one, other)
    apart = (_median(miss) / MISS_M) ** 2
    z = points[..., 2]
    with np.errstate(invalid="ignore"):
        feet = lowest_m(points)
        off_ground = np.maximum(np.maximum(-feet, feet - up_m), 0.0)
        tall = z[..., NOSE] - feet
        misshapen = np.maximum(np.maximum(_NOSE_M[0] - tall, tall - _NOSE_M[1]), 0.0)
        total = apart + (off_ground**2 + misshapen**2) / _FEET_M**2
    return np.asarray(np.minimum(np.nan_to_num(total, nan=WORST, posinf=WORST), WORST))


def _median(miss: Array) -> Array:
    """(K,) medians over the points that both views know; infinite where those are too few."""
    known = ~np.isnan(miss)
    if known.all():
        return np.asarray(np.median(miss, axis=-1))
    enough = known.sum(axis=-1) >= ENOUGH
    return np.where(enough, np.nanmedian(np.where(enough[..., None], miss, 0.0), axis=-1), np.inf)


def lowest_m(points: Array) -> Array:
    """(K,) height of the lowest known part of the feet of bodies (K, 14, 3); NaN where none is."""
    z = points[..., FEET, 2]
    low = np.where(np.isnan(z), np.inf, z).min(axis=-1)
    return np.where(np.isfinite(low), low, np.nan)


def hips_m(views: Sequence[View]) -> tuple[Array, Array]:
    """Hips (K, 3) nearest to the rays of two or more views of the same bodies, and their covariance (K, 3, 3).

    Each ray is taken to be MISS_M off (the same for all: what is said is coarse).
    """
    A, b = np.zeros((3, 3)), np.zeros(3)
    for view in views:
        d = view.rays[..., HIPS, :]
        across = np.eye(3) - d[..., :, None] * d[..., None, :]
        A, b = A + across, b + across @ view.centre_m
    inverse = np.linalg.inv(A + 1e-9 * np.eye(3))
    return (inverse @ b[..., None])[..., 0], np.asarray(MISS_M**2 * inverse)
