"""What is known of one point over time, in the order in which it happened, as the compiled filter takes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import Clocks, Points3D, PointStatus, Tracks2D


@dataclass(frozen=True, slots=True, eq=False)
class PointEvents:
    """Observations of one point by all cameras, and the instants at which its motion is wanted.

    t_s (E,) rig times in order; camera (E,): index, -1 for a wanted instant; uv_px (E, 2), sigma_px (E,)
    grid (E,)       index of the wanted instant, of the nearest one for an observation
    wanted (E,)     whether the event is one
    agreed (E,)     whether the cameras agreed on the point at that instant, this one among them
    """

    t_s: Array
    camera: NDArray[np.int64]
    uv_px: Array
    sigma_px: Array
    grid: NDArray[np.int64]
    wanted: NDArray[np.bool_]
    agreed: NDArray[np.bool_]

    def observations(self) -> PointEvents:
        """Without the wanted instants."""
        keep = ~self.wanted
        return PointEvents(
            self.t_s[keep], self.camera[keep], self.uv_px[keep], self.sigma_px[keep], self.grid[keep],
            self.wanted[keep], self.agreed[keep],
        )  # fmt: skip


def events_of(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, points: Points3D, keypoint: str
) -> PointEvents:
    """Everything about one keypoint, each pixel at the time when its own row was exposed."""
    t = points.t_s
    step = float(np.median(np.diff(t)))
    p, q = tracks.index(keypoint), points.index(keypoint)
    times, index, uv, sigma, agreed = [t], [np.full(len(t), -1)], [np.zeros((len(t), 2))], [np.ones(len(t))], []
    agreed.append(np.ones(len(t), dtype=bool))
    for c, camera in enumerate(cameras):
        seen = tracks.of(camera.name)
        use = np.flatnonzero(~np.isnan(seen.sigma_px[:, p]))
        rig = clocks.of(camera.name).rig_time(seen.t_cam_s[use], seen.uv_px[use, p], seen.size_px)
        inside = (rig >= t[0] - step) & (rig <= t[-1] + step)
        use, rig = use[inside], rig[inside]
        near = np.clip(np.round((rig - t[0]) / step).astype(int), 0, len(t) - 1)
        times.append(rig)
        index.append(np.full(len(use), c))
        uv.append(seen.uv_px[use, p])
        sigma.append(seen.sigma_px[use, p])
        agreed.append((points.status[near, q] == PointStatus.OK) & points.views[near, q, c])
    order = np.argsort(np.concatenate(times), kind="stable")
    t_s, camera_index = np.concatenate(times)[order], np.concatenate(index)[order]
    wanted = camera_index < 0
    grid = np.clip(np.round((t_s - t[0]) / step).astype(np.int64), 0, len(t) - 1)
    grid[wanted] = np.arange(len(t))
    return PointEvents(
        t_s, camera_index.astype(np.int64), np.concatenate(uv)[order], np.concatenate(sigma)[order], grid,
        wanted, np.concatenate(agreed)[order],
    )  # fmt: skip


def rough_curve(points: Points3D, p: int) -> Array:
    """(T, 3) the per-frame points of a column without their outliers in time, joined by straight lines."""
    ok = points.status[:, p] == PointStatus.OK
    smooth = median_filter(points.xyz_m[ok, p], size=(5, 1), mode="nearest")
    return np.stack([np.interp(points.t_s, points.t_s[ok], smooth[:, d]) for d in range(3)], axis=1)
