"""Frames that a camera passed over while nothing moved fast: the point is still seen, and lost ones are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from recon.records import KEYPOINTS, PointStatus, Tracks2D
from tests.unit.recon.test_between import CAMERAS, bending, fitted, seen

PAIR = CAMERAS[:2]


def looked_at(tracks: Tracks2D, every: int) -> Tracks2D:
    """Each camera looks at every third frame or so, beginning with another one; the last third wholly."""
    views = []
    for k, view in enumerate(tracks.cameras):
        sigma = view.sigma_px.copy()
        frames = np.arange(len(sigma))
        sigma[(frames % every != k % every) & (frames < 60)] = np.nan
        uv = np.where(np.isnan(sigma)[..., None], np.nan, view.uv_px)
        views.append(replace(view, uv_px=uv, sigma_px=sigma))
    return replace(tracks, cameras=tuple(views))


def test_two_cameras_that_pass_over_different_frames_see_every_instant():
    motion = bending()
    tracks = looked_at(seen(motion), 3)
    found = fitted(replace(tracks, cameras=tracks.cameras[:2]), PAIR)
    p = KEYPOINTS.index("right_knee")
    assert (found.status[4:-2, p] == PointStatus.OK).all()
    assert np.linalg.norm(found.path("right_knee") - motion.path("right_knee"), axis=1)[4:-2].max() < 0.05


def test_a_point_that_is_lost_for_longer_is_not_called_seen():
    motion = bending()
    tracks = seen(motion)
    p = KEYPOINTS.index("right_knee")
    lost = slice(40, 52)
    views = []
    for view in tracks.cameras[:2]:
        sigma, uv = view.sigma_px.copy(), view.uv_px.copy()
        sigma[lost, p], uv[lost, p] = np.nan, np.nan
        views.append(replace(view, uv_px=uv, sigma_px=sigma))
    found = fitted(replace(tracks, cameras=tuple(views)), PAIR)
    assert (found.status[42:50, p] != PointStatus.OK).all()
