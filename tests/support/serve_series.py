"""INVENTED recordings of many serves by one player: one motion again and again, never quite the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Protocol

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import KEYPOINTS, WHITE, CameraTracks, NoiseShape
from tests.support.example_motion import EVENT_TIMES_S, LENGTH_S, invented_motion
from tests.support.noise import unit_noise

CONTACT_S = EVENT_TIMES_S["contact"]
_BACK_S = 1.2  # from the follow-through back to the stance


@cache
def _motion(handedness: str) -> tuple[Array, Array]:
    t, xyz, _, _ = invented_motion(handedness)
    return t, xyz


@dataclass(frozen=True)
class ServeSeries:
    """Serves with contact at these rig times (increasing, 3 s apart or more), the player at rest between.

    vary     how much one serve differs from the next: 1 moves hands and racket by some 4 cm, feet and trunk by
             half of it, the tempo by 3 %
    swings   indices of serves without a ball: practice
    """

    contacts_s: tuple[float, ...]
    seed: int = 0
    vary: float = 1.0
    handedness: str = "right"
    swings: Sequence[int] = ()

    def at(self, t_s: Array) -> Array:
        """Positions (T, P, 3) at rig times; the ball is NaN while nobody tosses or hits it."""
        t = np.asarray(t_s, dtype=float)
        base_t, base = _motion(self.handedness)
        out = np.repeat(base[:1], len(t), axis=0)
        ball = KEYPOINTS.index("ball")
        out[:, ball] = np.nan
        for k, contact in enumerate(self.contacts_s):
            rng = np.random.default_rng((self.seed, k))
            tempo = 1 + 0.03 * self.vary * rng.standard_normal()
            own = CONTACT_S + (t - contact) * tempo
            here = (own > 0) & (own < LENGTH_S + _BACK_S)
            tau = np.clip(own[here], 0, LENGTH_S)
            i = np.clip((tau / (base_t[1] - base_t[0])).astype(int), 0, len(base_t) - 2)
            s = (tau / (base_t[1] - base_t[0]) - i)[:, None, None]
            x = (1 - s) * base[i] + s * base[i + 1]
            back = np.clip((own[here] - LENGTH_S) / _BACK_S, 0, 1)
            fade = (3 * back**2 - 2 * back**3)[:, None, None]
            x = (1 - fade) * x + fade * base[0]
            x = x + self._own_way(rng, own[here])
            x[:, ball] = np.where((own[here] > LENGTH_S)[:, None] | (k in self.swings), np.nan, x[:, ball])
            out[here] = x
        return out

    def _own_way(self, rng: np.random.Generator, own_s: Array) -> Array:
        """What makes this serve differ: smooth, zero at rest. (T, P, 3)"""
        size = np.array(
            [0.04 if n.endswith(("wrist", "elbow")) or n.startswith("racket") else 0.02 for n in KEYPOINTS]
        )
        size[KEYPOINTS.index("ball")] = 0.0  # a ball falls as it falls
        phase = own_s / (LENGTH_S + _BACK_S)
        waves = (
            np.stack([np.sin(np.pi * (m + 1) * phase) for m in range(4)], axis=1)
            * np.sin(np.pi * phase)[:, None]
        )
        return self.vary * np.einsum(
            "tm,mpx->tpx", waves, rng.standard_normal((4, len(KEYPOINTS), 3)) / 2 * size[:, None]
        )


class Moving(Protocol):
    """Anything that is somewhere at rig times (T,): places (T, P, 3) of KEYPOINTS."""

    def at(self, t_s: Array) -> Array: ...


def seen(
    camera: Camera,
    series: Moving,
    start_s: float,
    span_s: tuple[float, float],
    *,
    fps: float = 60.0,
    sigma_px: float = 1.5,
    shape: NoiseShape = WHITE,
    seed: int = 0,
) -> CameraTracks:
    """A camera's tracks over span_s of its own clock, which is rig time minus start_s; sigma_px is told."""
    first, last = int(np.ceil(span_s[0] * fps)), int(span_s[1] * fps)
    t_cam = np.arange(first, last) / fps
    return seen_at(camera, series, start_s, t_cam, sigma_px=sigma_px, shape=shape, seed=seed)


def seen_at(
    camera: Camera,
    series: Moving,
    start_s: float,
    t_cam_s: Array,
    *,
    sigma_px: float = 1.5,
    shape: NoiseShape = WHITE,
    seed: int = 0,
) -> CameraTracks:
    """The same at camera times (T,)."""
    rng = np.random.default_rng((seed, abs(round(1e3 * float(t_cam_s[0])))))
    xyz = series.at(t_cam_s + start_s)
    uv = camera.project(xyz) + sigma_px * unit_noise(t_cam_s, [shape] * len(KEYPOINTS), rng)
    sigma = np.where(np.isnan(uv).any(axis=2), np.nan, sigma_px)
    return CameraTracks(camera.name, camera.size_px, t_cam_s, uv, sigma)
