"""Every patch of every picture that may be the ball, with the rig time of its own row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import BallCandidates, Clocks, Tracks2D

Index = NDArray[np.intp]
Chosen = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Sightings:
    """N patches, by rig time.

    cameras  all of them, in the rig's order; camera (N,) says which saw it, frame (N,) in which of its frames
    t_s (N,) rig time; uv_px (N, 2); sigma_px (N,)
    diameter_px (N,) NaN where not measured; colour (N,) 0 to 1, how far its colour is the ball's
    late (N, 3)  how much later than thought it was exposed per offset, drift and readout of its clock
    """

    cameras: tuple[Camera, ...]
    camera: Index
    frame: Index
    t_s: Array
    uv_px: Array
    sigma_px: Array
    diameter_px: Array
    colour: Array
    late: Array

    def where(self, wanted: Chosen | Index) -> Sightings:
        """Those of them."""
        per_row = ("camera", "frame", "t_s", "uv_px", "sigma_px", "diameter_px", "colour", "late")
        return replace(self, **{name: getattr(self, name)[wanted] for name in per_row})

    def frame_s(self) -> float:
        """Median time between pictures of the fastest camera; 1/120 where no camera saw two in a row."""
        steps = [np.diff(np.unique(self.t_s[self.camera == c])) for c in range(len(self.cameras))]
        usual = [float(np.median(s)) for s in steps if len(s)]
        return min(usual, default=1 / 120)

    def __len__(self) -> int:
        return len(self.t_s)


def sightings_of(
    cameras: Sequence[Camera],
    tracks: Tracks2D,
    clocks: Clocks,
    candidates: Mapping[str, BallCandidates] | None = None,
) -> Sightings:
    """What may be the ball: all candidates of the cameras that have some, else the ball as it was followed."""
    rows = []
    for c, camera in enumerate(cameras):
        seen, clock = tracks.of(camera.name), clocks.of(camera.name)
        own = (candidates or {}).get(camera.name)
        if own is None:
            p = tracks.index("ball")
            have = np.flatnonzero(~np.isnan(seen.sigma_px[:, p]))
            uv, sigma = seen.uv_px[have, p], seen.sigma_px[have, p]
            size, colour = np.full(len(have), np.nan), np.ones(len(have))
        else:
            have, k = np.nonzero(~np.isnan(own.sigma_px))
            uv, sigma = own.uv_px[have, k], own.sigma_px[have, k]
            size, colour = own.diameter_px[have, k], own.colour[have, k]
        t_cam = seen.t_cam_s[have]
        share = clock.row_share(uv, seen.size_px)
        times = clock.rig_time(t_cam) + clock.readout_s * share
        late = np.stack([np.ones(len(have)), t_cam - clock.at_s, share], axis=1)
        rows.append((np.full(len(have), c), have, times, uv, sigma, size, colour, late))
    columns = [np.concatenate(column) for column in zip(*rows, strict=True)]
    order = np.argsort(columns[2], kind="stable")
    return Sightings(tuple(cameras), *(column[order] for column in columns))


def rays(seen: Sightings) -> tuple[Array, Array]:
    """Two linear equations a (N, 2, 3) . x = b (N, 2) for the place of what was seen, one pair a sighting."""
    a, b = np.zeros((len(seen), 2, 3)), np.zeros((len(seen), 2))
    for c, camera in enumerate(seen.cameras):
        own = seen.camera == c
        n = camera.normalised(seen.uv_px[own])
        R, t = camera.cam_from_world.R, camera.cam_from_world.t_m
        a[own] = R[:2] - n[..., None] * R[2]
        b[own] = n * t[2] - t[:2]
    return a, b
