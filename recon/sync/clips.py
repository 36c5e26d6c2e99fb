"""Long clips of several serves, started at different times: which serve of one is which of the other.

One player's serves look alike: in views with detector noise a wrong pairing agrees nearly as well as the right
one (tests/unit/recon/test_clips.py). What tells them apart is time: the right offset holds for all serves at
once, to a fraction of a frame, and leaves none without its partner, while the pauses between serves differ by
seconds. How often serves coincide by accident is counted in the very clips, so that a player who serves like
clockwork is not mistaken. Where that does not decide, nothing is decided.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtrc

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry import Camera
from recon.epipolar import RayTrack, essential, ray_track
from recon.records import CameraTracks
from recon.sync.search import agreements

_SMOOTHED_S = 0.04
_EDGE_S = 1.5  # a serve this close to a clip's end may not have been recognised there


@dataclass(frozen=True, slots=True, eq=False)
class Clip:
    """One camera's long clip.

    span_s      its first and last camera time
    moments_s   (N,) camera times at which somebody seems to serve
    window_of   window_of(k): what the camera saw around moment k, a second before to half a second after
    """

    camera: Camera
    span_s: tuple[float, float]
    moments_s: Array
    window_of: Callable[[int], CameraTracks]


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipMatchOptions:
    """When two clips' serves count as told apart.

    moment_s     how far a moment may be from the true contact, both cameras together
    agreement    share of a serve's moving points that must agree within their uncertainty to be the same serve
    covered      share of the moments that both clips show under an offset which must find their partner
    together_s   serves of one offset agree on it this closely; clocks that drift by 1e-4 are allowed for
    chance       greatest expected number of offsets that as many serves agree on by accident
    stands_out   two serves alone decide where every other pairing disagrees this many times as much as they do
    looks_hz     pictures a second that are compared
    """

    moment_s: float = 0.3
    agreement: float = 0.5
    covered: float = 0.6
    together_s: float = 0.025
    chance: float = 3e-4
    stands_out: float = 2.5
    looks_hz: float = 60.0

    def __post_init__(self) -> None:
        if not (0 < self.agreement < 1 and 0.5 < self.covered <= 1 and 0 < self.chance < 1 < self.stands_out):
            raise BadInput(
                "clips: want agreement and chance in (0, 1), covered in (0.5, 1] and stands_out > 1, got "
                f"{self}"
            )
        if min(self.moment_s, self.together_s, self.looks_hz) <= 0:
            raise BadInput(f"clips: want positive times and rates, got {self}")


class Contradiction(NotMeasurable):
    """Pairs of clips tell different offsets, so that one of them is wrong, and which cannot be told."""


@dataclass(frozen=True, slots=True)
class ClipOffset:
    """One camera's clip against the reference's: rig time is camera time plus offset_s, to about u_s.

    serves   how many serves agree on it
    """

    camera: str
    offset_s: float
    u_s: float
    serves: int


@dataclass(frozen=True, slots=True)
class _Offset:
    """An offset of clip b against clip a: the shares of the serves that agree on it, and how many ought to."""

    shift_s: float
    shares: tuple[float, ...]
    ought: int

    @property
    def evidence(self) -> float:
        return sum(self.shares)


@dataclass(frozen=True, slots=True, eq=False)
class _Pairings:
    """Every serve of a against every one of b: the shift (N, M) at which the two agree best, and how well."""

    shift_s: Array
    share: Array


def match_clips(clips: Sequence[Clip], options: ClipMatchOptions | None = None) -> tuple[ClipOffset, ...]:
    """Offsets of all clips against the first, good to a few hundredths of a second.

    Raises NotMeasurable, naming the cameras, where no offset stands out: better than the wrong serve;
    Contradiction where pairs of clips tell different ones.
    """
    options = options or ClipMatchOptions()
    rays = [[_rays(c.camera, c.window_of(k), options) for k in range(len(c.moments_s))] for c in clips]
    found: dict[tuple[int, int], _Offset] = {}
    failures: list[str] = []
    for a, b in combinations(range(len(clips)), 2):
        try:
            found[a, b] = _pair(clips[a], clips[b], rays[a], rays[b], options)
        except NotMeasurable as error:
            failures.append(str(error))
    return _chained([c.camera.name for c in clips], found, failures, options)


def _rays(camera: Camera, seen: CameraTracks, options: ClipMatchOptions) -> RayTrack:
    """Rays at about looks_hz: one serve's are compared with every other's, so they are kept small."""
    full = ray_track(camera, seen, np.full(seen.uv_px.shape[1], _SMOOTHED_S))
    step = max(1, round(1 / (options.looks_hz * float(np.median(np.diff(seen.t_cam_s))))))
    thin = slice(None, None, step)
    return RayTrack(
        camera, full.t_s[thin], full.n[thin].copy(), full.rate[thin].copy(), full.sigma[thin].copy()
    )


def _pair(
    a: Clip, b: Clip, rays_a: list[RayTrack], rays_b: list[RayTrack], options: ClipMatchOptions
) -> _Offset:
    names = f"cameras {a.camera.name} and {b.camera.name}"
    if not rays_a or not rays_b:
        lacking = a.camera.name if not rays_a else b.camera.name
        raise NotMeasurable(f"{names}: no serve was found in the clip of {lacking}")
    pairings = _compared(a, b, rays_a, rays_b, options)
    offers = [o for o in _offers(a, b, pairings, options) if len(o.shares) >= options.covered * o.ought]
    where = f"{names}: cannot tell which serve of one clip is which of the other"
    if not offers:
        raise NotMeasurable(
            f"{where}: no time offset fits the {len(rays_a)} and {len(rays_b)} serves found in them; do the "
            "clips show the same serves?"
        )
    best = offers[0]
    chance = _by_chance(a, b, best, pairings, options)
    sure = chance <= options.chance or pairings.share.size == 1
    if not sure and not _stand_out(best, chance, pairings, options):
        raise NotMeasurable(
            f"{where}: {len(best.shares)} agree on the best time offset, and {chance:.2g} such offsets are to "
            f"be expected by accident (want {options.chance:g}); film so that the clips share three or more "
            "serves, and not at even intervals"
        )
    return best


def _by_chance(a: Clip, b: Clip, best: _Offset, pairings: _Pairings, options: ClipMatchOptions) -> float:
    """Expected number of wrong offsets that as many serves agree on as on the best.

    Every pairing away from the best offset is a wrong one, and shows how often further serves coincide with
    it by accident: hardly ever where the pauses differ by seconds, always where they are even. A short session
    is taken to show one in a hundred, what pauses that vary by a few seconds give.
    """
    hits, trials = 0.2, 20.0
    for i, j in np.argwhere(np.abs(pairings.shift_s - best.shift_s) > options.moment_s):
        shift = float(pairings.shift_s[i, j])
        near = _near(a, pairings, i, j, options)
        near[i] = False
        hits += float(near.any(axis=1).sum())
        trials += max(_ought(a, b, shift) - 1, 0)
    n, ought = len(best.shares), max(best.ought, len(best.shares))
    anchors = pairings.share.size / n
    return anchors * float(bdtrc(n - 2, ought - 1, min(hits / trials, 1.0)))


def _stand_out(best: _Offset, chance: float, pairings: _Pairings, options: ClipMatchOptions) -> bool:
    """Whether two serves agree so much better than any others that they need no third."""
    if chance > 100 * options.chance:
        return False
    others = pairings.share[np.abs(pairings.shift_s - best.shift_s) > options.together_s]
    return bool((1 - min(best.shares)) * options.stands_out < 1 - others.max(initial=0.0))


def _compared(
    a: Clip, b: Clip, rays_a: list[RayTrack], rays_b: list[RayTrack], options: ClipMatchOptions
) -> _Pairings:
    shift, share = np.empty((len(rays_a), len(rays_b))), np.empty((len(rays_a), len(rays_b)))
    E = essential(a.camera, b.camera)
    for i, ray_a in enumerate(rays_a):
        for j, ray_b in enumerate(rays_b):
            about = float(a.moments_s[i] - b.moments_s[j])
            shift[i, j], share[i, j] = _best_shift(E, ray_a, ray_b, about, options)
    return _Pairings(shift, share)


def _best_shift(
    E: Array, a: RayTrack, b: RayTrack, about_s: float, options: ClipMatchOptions
) -> tuple[float, float]:
    """The offset near about_s at which two windows agree best, and the share of moving points that agrees."""
    step = 0.5 / options.looks_hz
    shifts = about_s + np.arange(-options.moment_s, options.moment_s + step / 2, step)
    scores = np.empty((len(shifts), 2))
    index = np.arange(len(a.t_s))
    agreements(E, a.t_s, a.n, a.rate, a.sigma, b.t_s, b.n, b.rate, b.sigma, index, shifts, scores)
    best = int(scores[:, 0].argmax())
    return float(shifts[best]), float(scores[best, 1])


def _near(a: Clip, pairings: _Pairings, i: int, j: int, options: ClipMatchOptions) -> NDArray[np.bool_]:
    """(N, M): which pairings are of the same serve, and of the same offset as pairing (i, j)."""
    drift_s = 1e-4 * np.abs(a.moments_s - a.moments_s[i])[:, None]
    close = np.abs(pairings.shift_s - pairings.shift_s[i, j]) < options.together_s + drift_s
    return np.asarray(close & (pairings.share >= options.agreement))


def _offers(a: Clip, b: Clip, pairings: _Pairings, options: ClipMatchOptions) -> list[_Offset]:
    """Offsets that some serves agree on, the one with most evidence first."""
    offers = []
    for i, j in np.argwhere(pairings.share >= options.agreement):
        agreed = np.where(_near(a, pairings, i, j, options), pairings.share, 0.0)
        # a serve speaks once, for the other clip's serve it fits best
        by_serve = agreed.max(axis=1)
        offset = float((agreed * pairings.shift_s).sum() / agreed.sum())
        offers.append(_Offset(offset, tuple(by_serve[by_serve > 0].tolist()), _ought(a, b, offset)))
    return sorted(offers, key=lambda o: -o.evidence)


def _ought(a: Clip, b: Clip, shift_s: float) -> int:
    """How many moments one clip shows while the other ran too, under an offset: the more of the two."""
    counts = []
    for one, other, shift in ((a, b, -shift_s), (b, a, shift_s)):
        t = one.moments_s + shift
        counts.append(int(((t > other.span_s[0] + _EDGE_S) & (t < other.span_s[1] - _EDGE_S)).sum()))
    return max(counts)


def _chained(
    names: list[str], found: dict[tuple[int, int], _Offset], failures: list[str], options: ClipMatchOptions
) -> tuple[ClipOffset, ...]:
    """Every camera joined to one already placed, the offset with most evidence first; all pairs must agree."""
    at, serves = {0: 0.0}, {0: 0}
    while len(at) < len(names):
        ready = [(offer.evidence, pair) for pair, offer in found.items() if (pair[0] in at) != (pair[1] in at)]
        if not ready:
            raise NotMeasurable("clips: " + "; ".join(failures))
        _, (a, b) = max(ready)
        offer = found[a, b]
        new, value = (b, at[a] + offer.shift_s) if a in at else (a, at[b] - offer.shift_s)
        at[new], serves[new] = value, len(offer.shares)
    for (a, b), offer in found.items():
        if abs(at[b] - at[a] - offer.shift_s) > options.moment_s:
            raise Contradiction(
                f"clips: cannot tell which serve is which: cameras {names[a]} and {names[b]} lie "
                f"{offer.shift_s:+.2f} s apart by themselves, {at[b] - at[a]:+.2f} s by way of the others"
            )
    return tuple(
        ClipOffset(name, at[k], 0.0 if k == 0 else options.together_s, serves[k])
        for k, name in enumerate(names)
    )
