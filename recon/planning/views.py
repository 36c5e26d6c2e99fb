"""What one planned camera gives of the serve: pixels, their expected error, and whether anything hides them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry import Camera
from recon.body import Body
from recon.keypoints.assemble import HIDDEN_FACTOR, SIGMA_OF_HEIGHT
from recon.keypoints.markers import marker_sigma_px
from recon.planning.sight import Sight
from recon.records import BODY, RACKET

TAPE_M = (0.025, 0.060)
"""A patch of tape on the racket: strip width and length, metres. An assumption of the plan."""


@dataclass(frozen=True, slots=True, eq=False)
class PlannedView:
    """One camera at one place, all samples of the serve.

    uv_px (T, P, 2); by_point (T, P, 2, 3) px/m; by_camera (T, P, 2, 18)
    plain          (T, P) in the picture, and nothing hides it
    sigma_px       (T, P) expected error per axis; NaN where the camera gives nothing
    bare_sigma_px  the same if nothing hid anything
    blur_px        (T, P) length of the point's streak during one exposure
    """

    camera: Camera
    uv_px: Array
    by_point: Array
    by_camera: Array
    plain: NDArray[np.bool_]
    sigma_px: Array
    bare_sigma_px: Array
    blur_px: Array

    @property
    def in_picture(self) -> NDArray[np.bool_]:
        """(T, P) whether the point lies in the picture at all."""
        return ~np.isnan(self.bare_sigma_px)


def planned_view(camera: Camera, exposure_s: float, body: Body, sight: Sight) -> PlannedView:
    """The view, by the error model of recon.keypoints.

    A body point's sigma is its share of the player's height in the picture, three times that where it is hidden
    (a landmark model still guesses there). Tape on the racket is as good as its patch is large, and gives
    nothing where it is hidden. A streak of length L adds L / √12 along itself, spread over both axes: the
    instant of the exposure that a mark stands for is even over the streak (JCGM 100:2008, 4.3.7).
    """
    uv, by_point, by_camera = camera.project_all(body.xyz_m)
    inside = in_picture(camera, uv)
    plain = sight.plain_from(camera.centre_m()) & inside
    streak = np.linalg.norm((by_point @ body.velocity_m_s[..., None])[..., 0], axis=-1) * exposure_s
    of_streak = streak / np.sqrt(12.0) / np.sqrt(2.0)
    still, hidden = _still_sigma_px(camera, uv, body)
    bare = np.where(inside, np.hypot(still, of_streak), np.nan)
    given = np.where(plain, bare, np.where(inside, np.hypot(hidden, of_streak), np.nan))
    return PlannedView(camera, uv, by_point, by_camera, plain, given, bare, np.where(inside, streak, np.nan))


def in_picture(camera: Camera, uv_px: Array) -> NDArray[np.bool_]:
    """(...,) whether pixels (..., 2) lie in the camera's picture; False where they are NaN."""
    return np.asarray(((uv_px > -0.5) & (uv_px < np.array(camera.size_px) - 0.5)).all(axis=-1))


def height_in_picture_px(uv_px: Array, body: Body) -> float:
    """Median over the serve of the body's extent in picture rows, as recon.keypoints takes it; NaN behind the
    camera."""
    columns = [body.keypoints.index(name) for name in BODY]
    heights = np.ptp(uv_px[:, columns, 1], axis=1)
    return float(np.nanmedian(heights)) if np.isfinite(heights).any() else np.nan


def _still_sigma_px(camera: Camera, uv: Array, body: Body) -> tuple[Array, Array]:
    """(T, P) sigma of a point without motion blur: seen plainly, and hidden (NaN where that gives nothing)."""
    height_px = height_in_picture_px(uv, body)
    pixels_per_m = camera.K_px[0, 0] / np.maximum(camera.depth_m(body.xyz_m), 1e-3)
    plain = np.empty(uv.shape[:2])
    hidden = np.full(uv.shape[:2], np.nan)
    for p, name in enumerate(body.keypoints):
        if name in RACKET:
            area = TAPE_M[0] * TAPE_M[1] * pixels_per_m[:, p] ** 2
            plain[:, p] = [marker_sigma_px(float(a)) for a in area]
        else:
            plain[:, p] = SIGMA_OF_HEIGHT[name.split("_")[-1]] * height_px
            hidden[:, p] = HIDDEN_FACTOR * plain[:, p]
    return plain, hidden
