"""What cameras with clocks and shutters of their own see of an invented motion."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from scipy.interpolate import CubicSpline

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import WHITE, CameraTracks, Clocks, Tracks2D


def seen_on(
    cameras: Sequence[Camera], clocks: Clocks, at: Callable[[Array], Array], keypoints: tuple[str, ...],
    *, length_s: float, fps: float, sigma_px: float, rng: np.random.Generator,
) -> Tracks2D:  # fmt: skip
    """Tracks with white noise. at: (T,) rig times -> (T, P, 3); every clip begins at camera time 0."""
    seen = []
    for camera in cameras:
        clock = clocks.of(camera.name)
        t = np.arange(0.0, length_s, 1 / fps)
        fine = np.arange(clock.rig_time(0.0) - 0.03, clock.rig_time(length_s) + 0.03, 2e-3)
        curves = [CubicSpline(fine, x) for x in np.moveaxis(at(fine), 1, 0)]
        row_t = np.repeat(clock.rig_time(t)[:, None], len(curves), axis=1)
        for _ in range(4):  # a point's row settles quickly
            uv = camera.project(np.stack([curve(row_t[:, p]) for p, curve in enumerate(curves)], axis=1))
            row_t = clock.rig_time(t, uv, camera.size_px)
        noisy = uv + sigma_px * rng.standard_normal(uv.shape)
        seen.append(CameraTracks(camera.name, camera.size_px, t, noisy, np.full(uv.shape[:2], sigma_px)))
    return Tracks2D(keypoints, tuple(seen), "invented", (WHITE,) * len(keypoints))
