"""Long clips of several serves, started at different times: which serve of one is which of the other.

One player's serves look alike: in views with detector noise a wrong pairing agrees nearly as well as the right
one (tests/unit/recon/test_clips.py). What tells them apart is that the right offset holds for all serves at
once, to a fraction of a frame, and leaves none without its partner, while the pauses between serves differ by
seconds. Where that does not decide, nothing is decided.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

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
    lead         the best offset has this many times the evidence of any other
    lead_alone   where only one serve speaks for it, any other pairing disagrees this many times as much
    together_s   serves of one offset agree on it this closely; clocks that drift by 1e-4 are allowed for
    looks_hz     pictures a second that are compared
    """

    moment_s: float = 0.3
    agreement: float = 0.5
    covered: float = 0.6
    lead: float = 1.25
    lead_alone: float = 2.5
    together_s: float = 0.025
    looks_hz: float = 60.0

    def __post_init__(self) -> None:
        if not (0 < self.agreement < 1 and 0.5 < self.covered <= 1 and min(self.lead, self.lead_alone) > 1):
            raise BadInput(f"clips: want agreement in (0, 1), covered in (0.5, 1], leads > 1, got {self}")
        if min(self.moment_s, self.together_s, self.looks_hz) <= 0:
            raise BadInput(f"clips: want positive times and rates, got {self}")


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


def match_clips(clips: Sequence[Clip], options: ClipMatchOptions | None = None) -> tuple[ClipOffset, ...]:
    """Offsets of all clips against the first, good to a few hundredths of a second.

    Raises NotMeasurable, naming the cameras, where no offset stands out: better than the wrong serve.
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
    shift, share = np.empty((len(rays_a), len(rays_b))), np.empty((len(rays_a), len(rays_b)))
    E = essential(a.camera, b.camera)
    for i, ray_a in enumerate(rays_a):
        for j, ray_b in enumerate(rays_b):
            about = float(a.moments_s[i] - b.moments_s[j])
            shift[i, j], share[i, j] = _best_shift(E, ray_a, ray_b, about, options)
    offers = [o for o in _offers(a, b, shift, share, options) if len(o.shares) >= options.covered * o.ought]
    if not offers:
        raise NotMeasurable(
            f"{names}: cannot tell which serve of one clip is which of the other: no time offset fits the "
            f"{len(rays_a)} and {len(rays_b)} serves found in them; do the clips show the same serves?"
        )
    best = offers[0]
    rival = max((o.evidence for o in offers if abs(o.shift_s - best.shift_s) > options.moment_s), default=0.0)
    if best.evidence < options.lead * rival or not _surely_alone(best, share, options):
        raise NotMeasurable(
            f"{names}: cannot tell which serve of one clip is which of the other: {len(best.shares)} agree on "
            f"the best time offset, with {best.evidence / max(rival, 1e-9):.2f} times the evidence of the next "
            f"(want {options.lead}); film so that the clips share three or more serves"
        )
    return best


def _surely_alone(best: _Offset, share: Array, options: ClipMatchOptions) -> bool:
    """Whether an offset that one serve alone speaks for may be relied on."""
    if len(best.shares) > 1 or share.size == 1:
        return True
    others = np.sort(share, axis=None)[-2]
    return bool((1 - best.evidence) * options.lead_alone < 1 - others)


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


def _offers(a: Clip, b: Clip, shift: Array, share: Array, options: ClipMatchOptions) -> list[_Offset]:
    """Offsets that some serves agree on, the one with most evidence first."""
    offers = []
    for i, j in np.argwhere(share >= options.agreement):
        drift_s = 1e-4 * np.abs(a.moments_s - a.moments_s[i])[:, None]
        near = np.abs(shift - shift[i, j]) < options.together_s + drift_s
        agreed = np.where(near & (share >= options.agreement), share, 0.0)
        # a serve speaks once, for the other clip's serve it fits best
        by_serve = agreed.max(axis=1)
        offset = float((agreed * shift).sum() / agreed.sum())
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
            raise NotMeasurable(
                f"clips: cannot tell which serve is which: cameras {names[a]} and {names[b]} lie "
                f"{offer.shift_s:+.2f} s apart by themselves, {at[b] - at[a]:+.2f} s by way of the others"
            )
    return tuple(
        ClipOffset(name, at[k], 0.0 if k == 0 else options.together_s, serves[k])
        for k, name in enumerate(names)
    )
