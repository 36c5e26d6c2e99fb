"""How well the rig tells a point's place, over the ground around the server."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from recon.keypoints.assemble import SIGMA_OF_HEIGHT
from recon.planning.forecast import Forecast, Planner
from recon.planning.views import height_in_picture_px, in_picture

STEP_M = 0.4
_HALF_X_M, _Y_M = 1.2, (-1.4, 1.0)  # the baseline runs between two rows of fields


@dataclass(frozen=True, slots=True, eq=False)
class CourtMap:
    """x_m (X,), y_m (Y,) middles of the fields; u_m (Y, X) root of summed axis variances, NaN where fewer than
    two cameras have the field in their picture; height_m above the ground."""

    x_m: Array
    y_m: Array
    u_m: Array
    height_m: float


def court_map(planner: Planner, forecast: Forecast, height_m: float) -> CourtMap:
    """Of a wrist that nothing hides: pixels and calibration together."""
    xs = planner.plan.front_toe_x_m + np.arange(-_HALF_X_M, _HALF_X_M + 1e-9, STEP_M)
    ys = np.arange(_Y_M[0], _Y_M[1] + 1e-9, STEP_M)
    grid = np.stack([*np.meshgrid(xs, ys), np.full((len(ys), len(xs)), height_m)], axis=-1)
    normal = np.zeros((*grid.shape[:2], 3, 3))
    pull = np.zeros((*grid.shape[:2], 3, len(forecast.calibration)))
    count = np.zeros(grid.shape[:2], dtype=int)
    for c, view in enumerate(forecast.views):
        camera = view.camera
        uv, by_point, by_camera = camera.project_all(grid)
        seen = in_picture(camera, uv)
        sigma = SIGMA_OF_HEIGHT["wrist"] * height_in_picture_px(view.uv_px, planner.serve.body)
        weighted = np.where(seen[..., None, None], by_point.swapaxes(-1, -2), 0.0) / sigma**2
        normal += weighted @ np.nan_to_num(by_point)
        width = by_camera.shape[-1]
        pull[..., c * width : (c + 1) * width] = weighted @ np.nan_to_num(by_camera)
        count += seen
    u = np.full(grid.shape[:2], np.nan)
    told = count >= 2
    inverse = np.linalg.inv(normal[told])
    response = inverse @ pull[told]
    covariance = inverse + response @ forecast.calibration @ response.swapaxes(-1, -2)
    u[told] = np.sqrt(np.trace(covariance, axis1=-2, axis2=-1))
    return CourtMap(xs, ys, u, height_m)
