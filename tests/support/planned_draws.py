"""Monte Carlo of a planned rig: noisy pixels, wrong cameras and clocks, joined by the program's own code."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.bundle import moved
from calibration.checks import Array
from calibration.geometry.camera import N_CAMERA, Camera
from recon.planning.headline import ROWS
from recon.planning.points import CORRELATION_S
from recon.planning.serve import InventedServe
from recon.planning.skeleton import points_at
from recon.planning.views import PlannedView
from recon.triangulate import TriangulateOptions, triangulate

USED = (
    "left_shoulder", "right_shoulder", "left_hip", "right_hip", "right_elbow", "right_wrist", "left_knee",
    "right_knee", "left_ankle", "right_ankle", "left_heel", "left_toe", "racket_tip", "racket_throat",
)  # fmt: skip
"""Points that the headline measures of a right-hander look at; the others stay at their true places."""


def drawn_values(
    serve: InventedServe, views: Sequence[PlannedView], calibration: Array, clock_u_s: float, draws: int,
    rng: np.random.Generator, front_toe_x_m: float,
) -> dict[str, Array]:  # fmt: skip
    """Row name -> (draws,) values of the measure, each from its own wrong pixels, cameras and clocks."""
    body = serve.body
    columns = [body.keypoints.index(name) for name in USED]
    sigma = np.stack([v.sigma_px[:, columns] for v in views], axis=2)
    t = body.t_s
    together = np.exp(-(((t[:, None] - t) / CORRELATION_S) ** 2)) + 1e-6 * np.eye(len(t))
    root = np.linalg.cholesky(together)
    values, vectors = np.linalg.eigh(calibration)
    camera_root = vectors * np.sqrt(np.maximum(values, 0.0))
    found: dict[str, list[float]] = {row.name: [] for row in ROWS}
    for _ in range(draws):
        step = camera_root @ rng.standard_normal(len(calibration))
        assumed = [moved(v.camera, step[N_CAMERA * c : N_CAMERA * (c + 1)]) for c, v in enumerate(views)]
        uv = np.empty((len(t), len(columns), len(views), 2))
        for c, view in enumerate(views):
            late = 0.0 if c == 0 else float(rng.normal(0, clock_u_s))
            x = points_at(t + late, serve.height_m, serve.handedness, front_toe_x_m)[:, columns]
            wander = np.einsum("ts,spi->tpi", root, rng.standard_normal((len(t), len(columns), 2)))
            uv[:, :, c] = view.camera.project(x) + wander * sigma[:, :, c, None]
        xyz = body.xyz_m.copy()
        xyz[:, columns] = _met(assumed, uv, sigma)
        for row in ROWS:
            found[row.name].append(row.value(replace(body, xyz_m=xyz), serve.events))
    return {name: np.array(drawn) for name, drawn in found.items()}


def _met(cameras: Sequence[Camera], uv_px: Array, sigma_px: Array) -> Array:
    """(T, K, 3). No view is left out, as none is in the forecast, however wrong its camera."""
    c = len(cameras)
    found = triangulate(
        cameras, uv_px.reshape(-1, c, 2), sigma_px.reshape(-1, c), TriangulateOptions(gate_sigma=1e3)
    )
    return found.xyz_m.reshape(*uv_px.shape[:2], 3)
