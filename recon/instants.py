"""Points of every instant: the cameras' tracks at common rig times, triangulated."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.geometry import Camera
from recon.records import Clocks, Points3D, Tracks2D
from recon.resample import at_times, common_times
from recon.triangulate import TriangulateOptions, triangulate


def points_at_instants(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, options: TriangulateOptions | None = None
) -> Points3D:
    """Triangulated points on a common time grid, each instant on its own.

    Raises NotMeasurable where the clips do not overlap, BadInput where tracks lack a camera.
    """
    t = common_times(tracks, clocks)
    uv, sigma = [], []
    for camera in cameras:
        pixels, sigmas = at_times(tracks.of(camera.name), clocks.of(camera.name), t)
        uv.append(pixels)
        sigma.append(sigmas)
    shape = (len(t), len(tracks.keypoints))
    flat_uv = np.stack(uv, axis=2).reshape(-1, len(cameras), 2)
    flat_sigma = np.stack(sigma, axis=2).reshape(-1, len(cameras))
    found = triangulate(cameras, flat_uv, flat_sigma, options)
    return Points3D(
        cameras[0].world,
        tracks.keypoints,
        tuple(c.name for c in cameras),
        t,
        found.xyz_m.reshape(*shape, 3),
        found.cov_m2.reshape(*shape, 3, 3),
        found.status.reshape(shape),
        found.views.reshape(*shape, len(cameras)),
    )
