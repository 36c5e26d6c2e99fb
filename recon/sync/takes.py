"""Whether all clips show the same take: what is left of their disagreement once the clocks are known.

Serves of one player are alike enough for clocks to lock on a clip of another one. Then hands and racket pass
each other by centimetres, which shows as epipolar distances beyond what the points' noise allows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry import Camera
from recon.epipolar import RayTrack, disagreement, essential, ray_track, sample
from recon.records import BODY, CameraTracks, Clocks, Tracks2D

_LOOKS_HZ = 60.0
_SMOOTHED_S = 0.042


@dataclass(frozen=True, kw_only=True, slots=True)
class TakeOptions:
    """When two clips disagree too much.

    spread_sigma   95 % of the distances lie within this many sigmas of their point's own middle: 1.2 for
                   invented noise of which a third lasts; 0.8 to 1.9 in rendered serves with the real detector;
                   1.7 to 2.2 where an invented player's hands pass each other by some 4 cm, 2.2 to 3.0 at 6 cm,
                   2.8 to 3.8 at 8 cm
    """

    spread_sigma: float = 2.2

    def __post_init__(self) -> None:
        if self.spread_sigma <= 0:
            raise BadInput(f"takes: want spread_sigma > 0, got {self.spread_sigma}")


@dataclass(frozen=True, slots=True)
class PairSpread:
    """How far two cameras' body points are from agreeing: 95 % of the distances lie within, in sigmas."""

    a: str
    b: str
    within95_sigma: float


def spreads(cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks) -> tuple[PairSpread, ...]:
    """Spread of the epipolar distances of every pair of cameras, each point's lasting part taken off.

    NaN where a pair shares no body point.
    """
    body = [k for k, name in enumerate(tracks.keypoints) if name in BODY]
    rays = {c.name: _rays(c, tracks.of(c.name), body) for c in cameras}
    found = []
    for a, b in combinations(cameras, 2):
        off = _distances(rays[a.name], rays[b.name], clocks)
        seen = np.isfinite(off)
        middle = np.array(
            [np.median(col[s]) if s.any() else np.nan for col, s in zip(off.T, seen.T, strict=True)]
        )
        left = np.abs(off - middle)[seen]
        found.append(PairSpread(a.name, b.name, float(np.percentile(left, 95)) if len(left) else float("nan")))
    return tuple(found)


def _rays(camera: Camera, seen: CameraTracks, body: list[int]) -> RayTrack:
    step = max(1, round(1 / (_LOOKS_HZ * float(np.median(np.diff(seen.t_cam_s))))))
    thin = replace(
        seen,
        t_cam_s=seen.t_cam_s[::step],
        uv_px=seen.uv_px[::step, body],
        sigma_px=seen.sigma_px[::step, body],
    )
    return ray_track(camera, thin, np.full(len(body), _SMOOTHED_S))


def _distances(a: RayTrack, b: RayTrack, clocks: Clocks) -> Array:
    """(T, P) signed epipolar distances in sigmas, at the first camera's frames."""
    t_a = a.t_s
    t_b = clocks.of(b.camera.name).camera_time(clocks.of(a.camera.name).rig_time(t_a))
    n_a, _, sigma_a = sample(a, t_a)
    n_b, _, sigma_b = sample(b, t_b)
    distance, _ = disagreement(essential(a.camera, b.camera), n_a, n_b)
    return np.asarray(distance / (np.hypot(sigma_a, sigma_b) / np.sqrt(2)))  # Sampson's, of two noisy points


def take_flags(found: Sequence[PairSpread], options: TakeOptions | None = None) -> tuple[str, ...]:
    """One sentence where clips disagree beyond their noise, naming the camera where the others agree."""
    limit = (options or TakeOptions()).spread_sigma
    apart = [p for p in found if p.within95_sigma > limit]
    if not apart:
        return ()
    names = {name for p in found for name in (p.a, p.b)}
    lone = [
        name
        for name in sorted(names)
        if len(names) > 2
        and all(name in (p.a, p.b) for p in apart)
        and len(apart) == sum(name in (p.a, p.b) for p in found)
    ]
    worst = max(apart, key=lambda p: p.within95_sigma)
    if lone:
        who = f"the clip of {lone[0]} disagrees with all others, which agree with each other"
    else:
        who = f"the clips of {worst.a} and {worst.b} disagree"
    return (
        f"{who}: body points lie up to {worst.within95_sigma:.1f} times their uncertainty off (want "
        f"{limit:g}): look whether a video shows another serve, or sigma_px of own keypoints is too small",
    )
