"""A foot that stands does not move: heel and toe are kept where they stand, as far as they do."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.curves import true_runs
from recon.motion.holding import GIVES_WITHIN_S, Held, lingering

_POINTS = tuple(f"{side}_{part}" for side in ("left", "right") for part in ("heel", "toe"))
_SLOW_M_S = 0.3  # an error that lingers moves a standing point by a tenth of a metre a second
_LOW_M = 0.03  # over the point's lowest tenth
_LEAST_S = 0.15
_LEAST_GIVE_M = 0.0015  # sole, sock and skin
_EASE_S = 0.03  # from free to held
_FAR_SD = 2.5  # of how far errors let a standing point wander; beyond, it has left


@dataclass(frozen=True, slots=True)
class Planted:
    """A stretch in which a point of a foot stood: rig times, seconds; give_m: how far it wandered all the same,
    beyond what its errors explain.
    """

    point: str
    start_s: float
    stop_s: float
    give_m: float

    def sentence(self) -> str:
        """For a run's record."""
        where = self.point.replace("_", " ")
        return (
            f"{where} stands {self.start_s:.2f} s to {self.stop_s:.2f} s, gives by {1e3 * self.give_m:.1f} mm"
        )


def hold_planted(held: Held, seed: int = 0) -> tuple[Held, tuple[Planted, ...]]:
    """The motion with heels and toes kept where they stand, and when they do.

    A point stands while it is low and slow for 0.15 s. It is drawn to its mean place there by Bayes' rule: how
    far its errors let it wander against how far it wanders beyond that, as with a foot that slides or turns.
    The error of the mean place itself, which lasts, stays in the draws.
    """
    rng = np.random.default_rng([seed, 7])
    told: list[Planted] = []
    for name in _POINTS:
        if name not in held.motion.keypoints:
            continue
        p = held.motion.index(name)
        for start, stop in _stretches(held.motion.t_s, held.motion.xyz_m[:, p], held.motion.velocity_m_s[:, p]):
            held, found = _kept(held, p, start, stop, rng)
            told += [found] if found else []
    return held, tuple(told)


def _stretches(t: Array, x: Array, v: Array) -> list[tuple[int, int]]:
    """[start, stop) runs in which a point is low and slow for long enough."""
    sound = np.isfinite(x).all(axis=1)
    if not sound.any():
        return []
    height = x[:, 2] - np.percentile(x[sound, 2], 10)
    with np.errstate(invalid="ignore"):
        stands: NDArray[np.bool_] = sound & (height < _LOW_M) & (np.linalg.norm(v, axis=1) < _SLOW_M_S)
    return [(a, b) for a, b in true_runs(stands) if t[b - 1] - t[a] >= _LEAST_S]


def _kept(held: Held, p: int, start: int, stop: int, rng: np.random.Generator) -> tuple[Held, Planted | None]:
    motion, draws = held.motion, held.draws_m
    step = float(np.median(np.diff(motion.t_s)))
    errors_sd = _wander(draws[:, start:stop, p])
    start, stop = _without_leaving(motion.xyz_m[:, p], start, stop, _FAR_SD * max(errors_sd, _LEAST_GIVE_M))
    here = slice(start, stop)
    if (stop - start) * step < _LEAST_S or not draws[:, here, p].any():  # what has no error needs no keeping
        return held, None
    errors_sd, seen_sd = _wander(draws[:, here, p]), _wander(motion.xyz_m[None, here, p])
    give = float(np.sqrt(max(seen_sd**2 - errors_sd**2, 0.0) + _LEAST_GIVE_M**2))
    inside = np.minimum(np.arange(stop - start) + 1, np.arange(stop - start, 0, -1)) * step / _EASE_S
    gain = (errors_sd**2 / (errors_sd**2 + give**2) * np.minimum(inside, 1.0))[:, None]

    xyz, velocity = motion.xyz_m.copy(), motion.velocity_m_s.copy()
    cov, velocity_cov = motion.cov_m2.copy(), np.array(motion.velocity_cov_m2_s2)
    x, d = xyz[here, p], draws[:, here, p]
    xyz[here, p] = x + gain * (x.mean(axis=0) - x)
    velocity[here, p] *= 1 - gain
    kept = float(np.exp(-step / GIVES_WITHIN_S))
    gives = np.stack([lingering(len(draws), stop - start, kept, rng) for _ in range(3)], axis=2)
    moved = draws.copy()
    moved[:, here, p] = d + gain * (d.mean(axis=1, keepdims=True) - d + give * gives)
    smaller = (moved[:, here, p] ** 2).mean(axis=(0, 2)) / (d**2).mean(axis=(0, 2))
    cov[here, p] *= smaller[:, None, None]
    left = (1 - gain[..., None]) ** 2 * velocity_cov[here, p]
    velocity_cov[here, p] = left + (gain[..., None] * give / GIVES_WITHIN_S) ** 2 * np.eye(3)
    motion = replace(motion, xyz_m=xyz, velocity_m_s=velocity, cov_m2=cov, velocity_cov_m2_s2=velocity_cov)
    stood = Planted(motion.keypoints[p], float(motion.t_s[start]), float(motion.t_s[stop - 1]), give)
    return replace(held, motion=motion, draws_m=moved), stood


def _wander(paths: Array) -> float:
    """Standard deviation per axis of paths (D, T, 3) about their own means."""
    return float(np.sqrt(((paths - paths.mean(axis=1, keepdims=True)) ** 2).mean()))


def _without_leaving(x: Array, start: int, stop: int, far_m: float) -> tuple[int, int]:
    """The run without its ends where the point is farther than that, per axis, from where it mostly is."""
    off = np.abs(x[start:stop] - np.median(x[start:stop], axis=0)).max(axis=1) > far_m
    near = np.flatnonzero(~off)
    return (start + int(near[0]), start + int(near[-1]) + 1) if len(near) else (start, start)
