"""When the ball left the hand: the instant before which it is not in free fall, however it was held.

A hand that opens lets the ball follow its later arc ever more closely, so its last centimetres in the hand lie
on the arc within the noise, and the first picture that fits is early by 15 to 110 ms. Here the held ball
differs from the arc by a random path that begins at the release, of three kinds (the hold's push ends at once,
dies at an even rate, or fades out), each wandering further the further back one looks. The wrist leaves the arc
in the same ways after the release. How likely the pictures and the wrist are for each release time, over all
such paths and over what the arc itself leaves open, gives its distribution.

Source: change-point estimation with a Gaussian process on one side (Rasmussen CE, Williams CKI (2006), Gaussian
Processes for Machine Learning, MIT Press, eq. 2.30); the kernel is the Wiener process integrated twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.flight.arcs import Arcs, Fit
from recon.flight.sightings import Index, Sightings

Ending = Callable[[Array], Array]
"""Of a hold: from times before the release (M,) to the covariance (M, M) of how far the ball is from its arc,
along each axis."""

_STEP_S = 0.002
_CLEAN_S = 0.13  # after the first sighting on the arc, a ball is surely free: openings last up to 0.1 s
_BACK_S = 0.08  # how far before it the ball is still followed in the hand
_JUMP_M_S2 = 20.0  # standard deviation of a push that ends at once: hands lift with one to three g
_JERK_M_S3 = 400.0  # of one that ends at an even rate: 20 m/s² within 50 ms
_WANDER_M2_S5 = 6000.0  # how the push wanders further back: 17 m/s² within 50 ms
_EASE_M2_S7 = 5e6  # of a push that ends ever more gently: the variance its rate of change gains a second
_HIDDEN_M = 0.003  # fingers hide part of a held ball: its visible middle moves by so much
_U_ENDING_S = 0.010  # three kinds of ending are not all: what invented hands with others came out off by
_FOLLOWED_S = 0.08  # how far the wrist is looked at beyond the latest release
_WRIST_M, _WRIST_HZ = (
    0.008,
    120.0,
)  # the wrist's error that is new so often a second; what lasts is in the rest:
_PLACE_M, _DRIFT_M_S, _TURN_M_S2 = 0.2, 0.3, 4.0  # where ball and wrist are to each other, as the wrist turns


@dataclass(frozen=True, slots=True, eq=False)
class HandPath:
    """The tossing wrist: t_s (T,) rig time, increasing; xyz_m (T, 3), NaN where unknown."""

    t_s: Array
    xyz_m: Array

    def __post_init__(self) -> None:
        t = checked(self.t_s, (None,), "hand: t_s")
        object.__setattr__(self, "t_s", t)
        object.__setattr__(self, "xyz_m", checked(self.xyz_m, (len(t), 3), "hand: xyz_m", allow_nan=True))
        if np.any(np.diff(t) <= 0):
            raise BadInput("hand: want increasing times")

    def at(self, t_s: Array) -> Array:
        """(N, 3) by linear interpolation; NaN outside and beside gaps."""
        out = np.stack([np.interp(t_s, self.t_s, x) for x in self.xyz_m.T], axis=1)
        out[(t_s < self.t_s[0]) | (t_s > self.t_s[-1])] = np.nan
        return out


@dataclass(frozen=True, slots=True)
class Release:
    """Rig time of the release and its standard uncertainty."""

    t_s: float
    u_s: float


def clean_from_s(seen: Sightings, members: Index) -> float:
    """From when on a grown flight is surely free of the hand."""
    t = seen.t_s[members]
    return float(min(t.min() + _CLEAN_S, np.median(t)))


def find_release(seen: Sightings, members: Index, clean: Fit, hand: HandPath | None = None) -> Release | None:
    """The release of a flight; None where neither ball nor hand was seen about it.

    members: of the grown flight, the last of the hold among them; clean: the arc fitted to sightings after
    `clean_from_s` alone.
    """
    first, stop = float(seen.t_s[members].min()), clean_from_s(seen, members)
    rows = np.concatenate([_held(seen, members), members[seen.t_s[members] < stop]])
    if hand is None and not (seen.t_s[rows] < first + 0.02).any():
        return None
    grid = np.arange(first - _BACK_S, stop, _STEP_S)
    likely = np.logaddexp.reduce(
        [_of_ball(seen.where(rows), clean, grid, end) + _of_hand(clean.arcs, hand, grid, end)
         for end in (_at_once, _evenly, _gently)], axis=0,
    )  # fmt: skip
    likely = np.exp(likely - likely.max())
    likely /= likely.sum()
    mean = float(likely @ grid)
    return Release(mean, float(np.sqrt(likely @ (grid - mean) ** 2 + _STEP_S**2 / 12 + _U_ENDING_S**2)))


def _held(seen: Sightings, members: Index) -> Index:
    """Sightings of the ball in the hand: each camera's followed backwards from its first one on the arc."""
    used = np.zeros(len(seen), bool)
    used[members] = True
    out: list[int] = []
    for c in range(len(seen.cameras)):
        own = members[seen.camera[members] == c]
        if len(own) < 4:
            continue
        run = [int(k) for k in own[np.argsort(seen.frame[own])][:4]]
        start = seen.t_s[run[0]]
        before = np.flatnonzero((seen.camera == c) & ~used & (seen.t_s < start) & (seen.t_s > start - _BACK_S))
        for frame in np.unique(seen.frame[before])[::-1]:
            ahead = seen.frame[run[0]] - frame
            pace = (seen.uv_px[run[2]] - seen.uv_px[run[0]]) / (seen.frame[run[2]] - seen.frame[run[0]])
            if ahead > 3:
                break
            here = before[seen.frame[before] == frame]
            off = np.linalg.norm(seen.uv_px[here] - seen.uv_px[run[0]] + ahead * pace, axis=1)
            if off.min() < max(1.0 * ahead * float(np.linalg.norm(pace)), 6 * seen.sigma_px[here].max()):
                run.insert(0, int(here[off.argmin()]))
                out.append(run[0])
    return np.array(out, dtype=np.intp)


def _of_ball(near: Sightings, clean: Fit, grid: Array, end: Ending) -> Array:
    """Log likelihood (G,) of release times from pixels about the release."""
    x, _, by = clean.arcs.by_values(near.t_s)
    r, by_point = np.empty((len(near), 2)), np.empty((len(near), 2, 3))
    for c, camera in enumerate(near.cameras):
        own = near.camera == c
        if own.any():
            uv, by_point[own] = camera.project_with_jacobian(x[own])
            r[own] = near.uv_px[own] - uv
    sigma = near.sigma_px * max(1.0, float(np.median(clean.z)) / 1.18)
    off = (r / sigma[:, None]).reshape(-1)
    axes = (by_point / sigma[:, None, None]).reshape(-1, 3)
    arc_part = np.einsum("ma,mab->mb", axes, np.repeat(by, 2, axis=0))
    common = arc_part @ clean.covariance() @ arc_part.T + np.eye(len(off))
    alike = axes @ axes.T  # the three axes of the hold are independent and alike
    t = np.repeat(near.t_s, 2)
    extra, before = np.zeros(len(off)), grid[:, None] - t
    for _ in range(2):
        noisy = common + np.diag(extra)
        out = np.array([_log_normal(off, noisy + alike * end(s)) for s in before])
        extra = _mistrust(off, common + alike * end(before[int(out.argmax())]))
    return out


def _at_once(before_s: Array) -> Array:
    """A push that is let go."""
    s, m, apart, hidden = _pairs(before_s)
    return hidden + _JUMP_M_S2**2 * np.outer(s**2, s**2) / 4 + _wander(m, apart)


def _evenly(before_s: Array) -> Array:
    """A push that dies at an even rate: the ball lies on a hand that slows more and more."""
    s, m, apart, hidden = _pairs(before_s)
    return hidden + _JERK_M_S3**2 * np.outer(s**3, s**3) / 36 + _wander(m, apart)


def _gently(before_s: Array) -> Array:
    """A push that fades out: fingers that open."""
    _, m, apart, hidden = _pairs(before_s)
    m2 = m * m  # products, for powers take twenty times as long
    three = m2 * m2 * (m2 * (m / 7 + apart / 2) + apart * apart * (0.6 * m + apart / 4))
    return hidden + _EASE_M2_S7 * three / 36


def _wander(m: Array, apart: Array) -> Array:
    m2 = m * m
    return np.asarray(_WANDER_M2_S5 / 4 * m2 * m * (m2 / 5 + apart * m / 2 + apart * apart / 3))


def _pairs(before_s: Array) -> tuple[Array, Array, Array, Array]:
    """Times in the hand (M,), the lesser of each two and their difference (M, M), and what fingers hide."""
    s = np.maximum(before_s, 0.0)
    hidden = _HIDDEN_M**2 * np.outer(s > 0, s > 0)
    return s, np.asarray(np.minimum.outer(s, s)), np.abs(np.subtract.outer(s, s)), np.asarray(hidden)


def _log_normal(r: Array, covariance: Array) -> float:
    """Of r (M,), or of independent columns (M, k), but for a constant."""
    root = np.linalg.cholesky(covariance)
    z = solve_triangular(root, r, lower=True, check_finite=False)
    return float(-0.5 * (z * z).sum() - r.size / len(r) * np.log(np.diag(root)).sum())


def _mistrust(r: Array, covariance: Array) -> Array:
    """(M,) variance to add to pixels that lie more than three sigmas from where all others have them."""
    precision = np.linalg.inv(covariance)
    off = np.abs(precision @ r) / np.sqrt(np.diag(precision))
    off = np.repeat(off.reshape(-1, 2).max(axis=1), 2)
    return np.asarray(np.maximum(off / 3, 1.0) ** 4 - 1)


def _of_hand(arcs: Arcs, hand: HandPath | None, grid: Array, end: Ending) -> Array:
    """Log likelihood (G,) of release times from the wrist: the arc keeps its place to it, and then leaves it.

    Before the release the ball keeps its place to the wrist, and the arc is off as the held ball is from it.
    """
    if hand is None:
        return np.zeros(len(grid))
    near = (hand.t_s > grid[0]) & (hand.t_s < grid[-1] + _FOLLOWED_S) & ~np.isnan(hand.xyz_m).any(axis=1)
    t = hand.t_s[near]
    if len(t) < 6:
        return np.zeros(len(grid))
    apart = arcs.at(t)[0] - hand.xyz_m[near]
    apart = apart - apart.mean(axis=0)
    since = t - t.mean()
    noise = _WRIST_M**2 * max(1.0, 1 / (_WRIST_HZ * float(np.median(np.diff(t)))))
    rest = noise * np.eye(len(t)) + _PLACE_M**2
    for size, power in ((_DRIFT_M_S, since), (_TURN_M_S2, since**2 / 2)):
        rest = rest + size**2 * np.outer(power, power)
    return np.array([_log_normal(apart, rest + end(t - g) + end(g - t)) for g in grid])
