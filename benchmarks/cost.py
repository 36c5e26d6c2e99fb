"""One cost function for all solvers' answers, evaluated with this project's camera model alone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchmarks.world import World
from calibration.geometry import Camera, Rigid


def board_cost(
    world: World,
    cameras: Sequence[Camera],
    boards: Sequence[Rigid],
    sigma_px: float,
    cauchy_sigmas: float | None,
) -> float:
    """Sum over all corners of z² = |residual|² / sigma², or of c² log(1 + z² / c²) with c = cauchy_sigmas."""
    total = 0.0
    for c, b, uv in zip(world.camera, world.board, world.uv_px, strict=True):
        off = uv - cameras[c].project(boards[b].apply(world.points_m))
        z2 = (off**2).sum(axis=1) / sigma_px**2
        total += float(
            z2.sum() if cauchy_sigmas is None else (cauchy_sigmas**2 * np.log1p(z2 / cauchy_sigmas**2)).sum()
        )
    return total
