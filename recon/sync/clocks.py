"""Clock offsets of cameras started by hand: coarse over the whole overlap, then to a fraction of a frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry import Camera
from recon.epipolar import RayTrack, disagreement, essential, ray_track, sample
from recon.records import CameraTracks, Clock, Clocks, Tracks2D
from recon.sync.search import agreements

_PHASES = 4
_LEAST_POINTS = 3  # leaving one out must leave something to compare
_COARSE_FRAMES = 250  # enough moments of a clip to tell an offset; more would make long clips quadratic


@dataclass(frozen=True, kw_only=True, slots=True)
class SyncOptions:
    """How the clocks are found.

    min_overlap_s   shortest common stretch that is tried
    lead            the best offset must agree this much more than any other more than 0.25 s away
    agreement       and this share of the moving points must agree within their uncertainty: views of one
                    demo serve reach 0.71 to 0.88, views of two different ones 0.20 to 0.29 (all pairs)
    body_smoothing_s, marker_smoothing_s  tracks are smoothed over ± this long before rates are taken: a
                    human joint moves little beyond 10 Hz, a racket tip far faster
    body_bias_sigma keypoints of the body carry a lasting error per view of about their sigma
    marker_bias_px  taped points and ball do not; half a pixel for uneven tape and light
    least_movement  some point of each clip moves so many sigmas in 10 ms: less is rounding, or somebody at rest
    u_drift         by which two clocks may run apart: quartz keeps time to 20 to 50 parts in a million (common
                    practice)
    """

    min_overlap_s: float = 0.7
    lead: float = 1.25
    body_smoothing_s: float = 0.042
    marker_smoothing_s: float = 0.017
    agreement: float = 0.5
    body_bias_sigma: float = 1.0
    marker_bias_px: float = 0.5
    least_movement: float = 0.3
    u_drift: float = 50e-6

    def __post_init__(self) -> None:
        if self.min_overlap_s <= 0 or self.lead <= 1 or not 0 < self.agreement < 1:
            raise BadInput(f"sync: want min_overlap_s > 0, lead > 1, agreement in (0, 1), got {self}")


def estimate_clocks(cameras: Sequence[Camera], tracks: Tracks2D, options: SyncOptions | None = None) -> Clocks:
    """Offsets of all cameras against the first one, with standard uncertainty.

    A point seen by two cameras at one instant lies on epipolar lines; a wrong offset breaks that while the
    point moves. The offset that makes the moving points agree best is searched over every overlap, then
    refined by Gauss-Newton over all pairs with a lasting error per point and pair as a nuisance. u comes
    from leaving out one keypoint at a time (jackknife), so that a common fault of the points shows.
    Raises NotMeasurable, naming the cameras, where no offset stands out from chance.
    Source: Noguchi & Kato (2007), WACV; jackknife: Efron (1982), SIAM.
    """
    options = options or SyncOptions()
    half_width = _half_width_s(tracks.keypoints, options)
    rays = [ray_track(camera, tracks.of(camera.name), half_width) for camera in cameras]
    offsets = _chain_offsets(rays, options)
    offsets, u = _refine(rays, tracks.keypoints, offsets, options)
    clocks = []
    for camera, offset, own_u in zip(cameras, offsets, u, strict=True):
        middle_s = float(np.median(tracks.of(camera.name).t_cam_s))
        u_drift = 0.0 if camera is cameras[0] else options.u_drift
        clocks.append(Clock(camera.name, float(offset), float(own_u), u_drift=u_drift, at_s=middle_s))
    return Clocks(cameras[0].name, tuple(clocks))


def _is_marker(keypoints: tuple[str, ...]) -> NDArray[np.bool_]:
    return np.array([name.startswith("racket") or name == "ball" for name in keypoints])


def _chain_offsets(rays: list[RayTrack], options: SyncOptions) -> Array:
    """Coarse offsets: each camera joined to one already placed, the most certain pair first."""
    found: dict[tuple[int, int], tuple[float, float]] = {}
    failures: dict[tuple[int, int], str] = {}
    for a, b in combinations(range(len(rays)), 2):
        try:
            found[a, b] = _coarse(rays[a], rays[b], options)
        except NotMeasurable as error:
            failures[a, b] = str(error)
    offsets = np.full(len(rays), np.nan)
    offsets[0] = 0.0
    while np.isnan(offsets).any():
        ready = [
            (found[pair][1], pair) for pair in found if np.isnan(offsets[pair[0]]) != np.isnan(offsets[pair[1]])
        ]
        if not ready:
            raise NotMeasurable("clocks: " + "; ".join(failures.values()))
        _, (a, b) = max(ready)
        shift = found[a, b][0]
        if np.isnan(offsets[b]):
            offsets[b] = offsets[a] + shift
        else:
            offsets[a] = offsets[b] - shift
    return offsets


def _coarse(a: RayTrack, b: RayTrack, options: SyncOptions) -> tuple[float, float]:
    """Offset of b against a (rig time of b's frame = t_b + shift on a's clock) and its agreement."""
    step = max(float(np.median(np.diff(a.t_s))), float(np.median(np.diff(b.t_s))))
    low = a.t_s[0] - b.t_s[-1] + options.min_overlap_s
    high = a.t_s[-1] - b.t_s[0] - options.min_overlap_s
    names = f"cameras {a.camera.name} and {b.camera.name}"
    for ray in (a, b):
        _want_movement(ray, names, options)
    if high <= low:
        raise NotMeasurable(f"{names}: clips too short to share {options.min_overlap_s} s")
    shifts = np.arange(low, high, step)
    E = essential(a.camera, b.camera)
    frames = np.arange(0, len(a.t_s), max(2, len(a.t_s) // _COARSE_FRAMES))
    scores = np.empty((len(shifts), 2))
    agreements(E, a.t_s, a.n, a.rate, a.sigma, b.t_s, b.n, b.rate, b.sigma, frames, shifts, scores)
    best = int(scores[:, 0].argmax())
    away = np.abs(shifts - shifts[best]) > 0.25
    rival = float(scores[away, 0].max(initial=0.0))
    share = float(scores[best, 1])
    if scores[best, 0] <= options.lead * rival or share < options.agreement:
        raise NotMeasurable(
            f"{names}: no time offset stands out (best agreement {share:.0%} of the moving points, "
            f"want {options.agreement:.0%}; {scores[best, 0] / max(rival, 1e-9):.2f} times the next best, "
            f"want {options.lead}); do the clips show the same serve?"
        )
    return float(shifts[best]), share


def _want_movement(ray: RayTrack, names: str, options: SyncOptions) -> None:
    """Points that stand still agree at every offset, to the last digits, in which one may seem to stand out."""
    if not _moves(ray, options):
        raise NotMeasurable(f"{names}: no movement to lock on: all that {ray.camera.name} sees stands still")


def _moves(ray: RayTrack, options: SyncOptions) -> bool:
    speed = np.linalg.norm(ray.rate, axis=2) * 0.01 / ray.sigma
    return bool(np.isfinite(speed).any() and np.nanmax(speed) >= options.least_movement)


def shows_movement(
    camera: Camera, seen: CameraTracks, keypoints: tuple[str, ...], options: SyncOptions | None = None
) -> bool:
    """Whether anything in a clip moves by more than its own noise: without that no clock is told."""
    options = options or SyncOptions()
    return _moves(ray_track(camera, seen, _half_width_s(keypoints, options)), options)


def _half_width_s(keypoints: tuple[str, ...], options: SyncOptions) -> Array:
    """(P,) over how long each point is smoothed, to both sides."""
    return np.where(_is_marker(keypoints), options.marker_smoothing_s, options.body_smoothing_s)


def _refine(
    rays: list[RayTrack], keypoints: tuple[str, ...], offsets: Array, options: SyncOptions
) -> tuple[Array, Array]:
    """Gauss-Newton on all pairs; offsets (C,) and u (C,), the first camera fixed at 0."""
    count = len(rays)
    offsets = offsets.copy()
    free = np.arange(1, count)
    for _ in range(12):
        normal, gradient = _normal_by_keypoint(rays, keypoints, offsets, options)
        telling = int((normal[:, free, free] > 0).all(axis=1).sum())
        if telling < _LEAST_POINTS:
            raise NotMeasurable(
                f"clocks: want {_LEAST_POINTS} or more points that move in sight of two cameras, got {telling}"
            )
        step = np.linalg.solve(normal.sum(axis=0)[np.ix_(free, free)], gradient.sum(axis=0)[free])
        offsets[free] += np.clip(step, -0.01, 0.01)
        if np.abs(step).max() < 1e-6:
            break
    total_n, total_g = normal.sum(axis=0)[np.ix_(free, free)], gradient.sum(axis=0)[free]
    formal = np.sqrt(np.diag(np.linalg.inv(total_n)))
    informative = [p for p in range(len(keypoints)) if normal[p].any()]
    without = np.array(
        [
            np.linalg.solve(total_n - normal[p][np.ix_(free, free)], total_g - gradient[p][free])
            for p in informative
        ]
    )
    n = len(informative)
    jackknife = np.sqrt((n - 1) / n * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    u = np.zeros(count)
    u[free] = np.hypot(jackknife, formal)
    return offsets, u


def _at_all_phases(t_s: Array) -> Array:
    """Frame times and the quarters between them.

    Interpolated noise is smaller between frames than at them, so a sum over one phase alone is lowest
    where the other camera's frames are straddled, and pulls the offset there by up to 0.7 ms.
    """
    step = np.append(np.diff(t_s), 0.0)
    return np.unique(t_s[:, None] + step[:, None] * np.arange(_PHASES) / _PHASES)


def _normal_by_keypoint(
    rays: list[RayTrack], keypoints: tuple[str, ...], offsets: Array, options: SyncOptions
) -> tuple[Array, Array]:
    """Normal matrices (P, C, C) and gradients (P, C) of the offsets; lasting errors profiled out."""
    marker = _is_marker(keypoints)
    normal = np.zeros((len(keypoints), len(rays), len(rays)))
    gradient = np.zeros((len(keypoints), len(rays)))
    for a, b in combinations(range(len(rays)), 2):
        ray_a, ray_b = rays[a], rays[b]
        times = _at_all_phases(ray_a.t_s)
        na, _, sigma_a = sample(ray_a, times)
        nb, rate_b, sigma_b = sample(ray_b, times + offsets[a] - offsets[b])
        distance, by_nb = disagreement(essential(ray_a.camera, ray_b.camera), na, nb)
        sigma = np.hypot(sigma_a, sigma_b) / np.sqrt(2)  # Sampson's distance of two noisy points
        r = distance / sigma
        by_offset_b = -(by_nb * rate_b).sum(axis=2) / sigma
        usable = np.isfinite(r) & np.isfinite(by_offset_b)
        weight = np.where(usable, 1 / (1 + (np.nan_to_num(r) / 3) ** 2), 0.0) / _PHASES
        r, slope = np.where(usable, r, 0.0), np.where(usable, by_offset_b, 0.0)
        focal = float(np.sqrt(ray_a.camera.K_px[0, 0] * ray_a.camera.K_px[1, 1]))
        typical = np.array([np.median(s[np.isfinite(s)]) if np.isfinite(s).any() else 1.0 for s in sigma.T])
        prior = np.where(marker, options.marker_bias_px / focal / typical, options.body_bias_sigma)
        shrink = 1 / (weight.sum(axis=0) + 1 / prior**2)
        n_bb = (weight * slope**2).sum(axis=0) - shrink * (weight * slope).sum(axis=0) ** 2
        g_b = -(weight * slope * r).sum(axis=0) + shrink * (weight * slope).sum(axis=0) * (weight * r).sum(
            axis=0
        )
        for (i, j), sign in (((a, a), 1), ((b, b), 1), ((a, b), -1), ((b, a), -1)):
            normal[:, i, j] += sign * n_bb
        gradient[:, b] += g_b
        gradient[:, a] -= g_b
    return normal, gradient
