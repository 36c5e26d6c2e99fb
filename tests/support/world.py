"""A small invented world for tests: three cameras around a made-up serve-like motion, exact or noisy pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from recon.records import KEYPOINTS, CameraTracks, Tracks2D

CAMERA_PLACES_M = {
    "rear_left": (-4.2, -6.2, 2.4),
    "rear_right": (4.2, -6.2, 2.4),
    "side": (7.2, 1.8, 2.0),
}


def camera_looking_at(
    name: str, place_m: tuple[float, float, float], target_m: Array, focal_px: float = 1000
) -> Camera:
    """A 1280x720 camera with a little distortion, upright, looking at a point of the court frame."""
    K = np.array([[focal_px, 0, 639.5], [0, focal_px, 359.5], [0, 0, 1.0]])
    lens = np.array([-0.12, 0.02, 2e-4, -1e-4, 0.0])
    return Camera(name, (1280, 720), K, lens, Rigid.aimed(name, place_m, target_m))


def three_cameras() -> tuple[Camera, ...]:
    """The invented rig."""
    target = np.array([0.0, 0.1, 1.35])
    return tuple(camera_looking_at(n, p, target) for n, p in CAMERA_PLACES_M.items())


@dataclass(frozen=True)
class InventedMotion:
    """Serve-like: rest until 0.5 s, a whole-body movement with a fast racket around 1.5 s, rest after 2.4 s."""

    seed: int = 0

    def at(self, t_s: Array) -> Array:
        """Positions (T, P, 3) in the court frame at rig times (T,)."""
        rng = np.random.default_rng(self.seed)
        t = np.asarray(t_s, dtype=float)
        out = np.empty((len(t), len(KEYPOINTS), 3))
        for p, name in enumerate(KEYPOINTS):
            base = np.array([rng.uniform(-0.4, 0.4), rng.uniform(-0.4, 0.1), rng.uniform(0.1, 1.7)])
            quick = {"racket_tip": 3.0, "racket_throat": 2.0, "ball": 2.0}.get(name, 1.0)
            x = np.repeat(base[None], len(t), axis=0)
            for centre, width in ((0.9, 0.16), (1.5, 0.11), (1.8, 0.14)):
                stroke = quick * rng.normal(0, 0.22, 3)
                x += stroke * np.exp(-0.5 * ((t - centre - rng.normal(0, 0.03)) / width) ** 2)[:, None]
            sway = 0.004 * np.sin(2 * np.pi * (0.4 + 0.1 * rng.random()) * t + rng.uniform(0, 6))
            out[:, p] = x + sway[:, None]
        return out


def seen_by(
    cameras: tuple[Camera, ...],
    motion: InventedMotion,
    *,
    offsets_s: dict[str, float],
    span_s: tuple[float, float] = (0.0, 3.0),
    fps: float = 120.0,
    sigma_px: float = 1.0,
    rng: np.random.Generator,
    gross_share: float = 0.0,
) -> Tracks2D:
    """Noisy pixels of the motion. offsets_s: rig time = camera time + offset; each clip covers span_s."""
    seen = []
    for camera in cameras:
        offset = offsets_s[camera.name]
        t_cam = np.arange(0.0, span_s[1] - span_s[0], 1 / fps)
        x = motion.at(t_cam + offset)
        uv = (
            camera.project(x) + rng.normal(0, sigma_px, (len(t_cam), len(KEYPOINTS), 2))
            if sigma_px
            else camera.project(x)
        )
        wrong = rng.random(uv.shape[:2]) < gross_share
        uv[wrong] += rng.normal(0, 60, (wrong.sum(), 2))
        sigma = np.full(uv.shape[:2], max(sigma_px, 0.1))
        seen.append(CameraTracks(camera.name, camera.size_px, t_cam, uv, sigma))
    return Tracks2D(KEYPOINTS, tuple(seen), "invented world")
