"""Invented cameras of which only the lenses are known, and the clicks that a person would make in their
pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.checks import Array
from calibration.court.clicks import Click
from calibration.court.fit import CourtOptions, point_root_m, root_of
from calibration.court.model import COURT_POINTS_M
from calibration.geometry import Camera
from calibration.lens import LensCalibration, calibrate_lens
from tests.support.rig_worlds import BOARD, lens_views

OPTIONS = CourtOptions(click_u_px=0.5, paint_u_m=0.005)  # careful clicks on carelessly laid lines


def measured_lens(camera: Camera, rng: np.random.Generator) -> LensCalibration:
    """What 20 board views with 0.2 px of corner noise tell of the camera's lens."""
    return calibrate_lens(camera.name, lens_views(camera, 20, 0.2, rng), BOARD, camera.size_px, "invented")


def drawn_lens(camera: Camera, like: LensCalibration, rng: np.random.Generator) -> LensCalibration:
    """Another measurement of the camera's lens: the truth and an error drawn from that covariance."""
    root = root_of(like.covariance)
    wrong = camera.with_lens(camera.lens_vector() + root @ rng.standard_normal(root.shape[1]))
    return replace(
        like, camera=camera.name, K_px=wrong.K_px, distortion=wrong.distortion, size_px=camera.size_px
    )


def drawn_clicks(
    cameras: Sequence[Camera], rng: np.random.Generator, names: Sequence[str] = tuple(COURT_POINTS_M)
) -> list[Click]:
    """Clicks on all visible points of a court whose points lie off their places as OPTIONS says."""
    root = point_root_m(names, OPTIONS)
    off_m = root @ rng.standard_normal(root.shape[2])
    clicks = []
    for camera in cameras:
        for name, off in zip(names, off_m, strict=True):
            uv = camera.project(np.array(COURT_POINTS_M[name]) + off)
            if inside(camera, uv):
                clicks.append(Click(camera.name, name, uv + rng.normal(0, OPTIONS.click_u_px, 2)))
    return clicks


def inside(camera: Camera, uv: Array) -> bool:
    """True in the picture, with a few pixels to spare."""
    return bool(np.isfinite(uv).all() and (uv > 5).all() and (uv < np.array(camera.size_px) - 6).all())


def zoomed(camera: Camera, scale: float, centre_px: tuple[float, float] = (0.0, 0.0)) -> Camera:
    """The camera with its focal length scaled and its centre moved."""
    lens = camera.lens_vector()
    lens[:2] *= scale
    lens[2:4] += centre_px
    return camera.with_lens(lens)
