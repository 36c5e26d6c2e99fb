"""Where to look in the reference picture: textured places, and how far away what is seen there stands."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.court.model import DOUBLES_WIDTH_M, NET_HEIGHT_POST_M, NET_POST_OUTSIDE_M, NET_Y_M
from calibration.drift.grey import Grey
from calibration.geometry.camera import Camera

COLUMNS = 32
"""Cells across a picture, one place in each: about 500 places in a 16:9 picture, half a second of work."""

_BESIDE_M = (
    1.0  # beside and behind the doubles court this much ground is taken to be bare; benches stand farther off
)
_BEHIND_M = 2.0
_NEAREST_M = 3.0  # nothing in the picture is taken to be nearer to the camera
_EDGE_WORTH = 0.05  # a place on an edge tells one direction only; it counts where a cell has no corner
_NET_SPARE_M = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places in the reference picture.

    uv_px        (N, 2) pixel of the place
    on_court     (N,) True where the court's surface is seen, whose distance follows from the registered camera
    nearness     (N,) 1 / depth along the camera's axis, 1/m; NaN where on_court
    nearness_u   (N,) its standard uncertainty, 1/m; 0 where on_court
    """

    uv_px: Array
    on_court: NDArray[np.bool_]
    nearness: Array
    nearness_u: Array


def choose_places(camera: Camera, grey: Grey, half_px: int) -> Places:
    """The best textured place of every cell of a grid, COLUMNS across.

    grey is the reference picture, half_px the half side of the patches that will be compared.
    Score: the smaller eigenvalue of the patch's gradient matrix plus a small share of the larger one (Shi J,
    Tomasi C (1994), Good features to track).
    """
    height, width = grey.values.shape
    both = cv2.cornerEigenValsAndVecs(grey.values, 2 * half_px + 1, 3)
    score = both[..., :2].min(axis=-1) + _EDGE_WORTH * both[..., :2].max(axis=-1)
    side = 2 * half_px + 1
    score = score * (cv2.dilate(grey.cut, np.ones((side, side), np.uint8)) == 0)
    margin = 2 * half_px
    cell = max(width / COLUMNS, 1.0)
    found = []
    for top in np.arange(margin, height - margin, cell):
        for left in np.arange(margin, width - margin, cell):
            box = score[int(top) : min(int(top + cell), height - margin),
                        int(left) : min(int(left + cell), width - margin)]  # fmt: skip
            if box.size:
                v, u = np.unravel_index(int(box.argmax()), box.shape)
                found.append((int(left) + u, int(top) + v))
    return _placed(camera, np.array(found, dtype=float).reshape(-1, 2))


def _placed(camera: Camera, uv_px: Array) -> Places:
    """What is known of each place's distance, from the registered camera and the court alone.

    A place off the court may lie anywhere between _NEAREST_M and the ground that its ray would meet: its
    nearness is taken as spread evenly over that range. Through the net, the net itself is the near end.
    """
    uv_px = uv_px[np.isfinite(camera.normalised(uv_px)).all(axis=1)]
    rays, c = camera.rays(uv_px), camera.centre_m()
    axis = camera.cam_from_world.R[2]
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.where(rays[:, 2] < -1e-6, -c[2] / rays[:, 2], np.inf)
        ground = c + along[:, None] * rays
        farthest = along * (rays @ axis)
        to_net = (NET_Y_M - c[1]) / rays[:, 1]
        net = c + to_net[:, None] * rays
    behind_net = (to_net > 0) & (to_net < along) & (net[:, 2] < NET_HEIGHT_POST_M + _NET_SPARE_M)
    behind_net &= np.abs(net[:, 0]) < DOUBLES_WIDTH_M / 2 + NET_POST_OUTSIDE_M + _NET_SPARE_M
    near_half = (ground[:, 1] > -_BEHIND_M) & (ground[:, 1] < NET_Y_M - _NET_SPARE_M)
    on_court = np.isfinite(along) & near_half & ~behind_net
    on_court &= np.abs(ground[:, 0]) < DOUBLES_WIDTH_M / 2 + _BESIDE_M
    low = np.where(np.isfinite(farthest), 1 / np.maximum(farthest, 1e-6), 0.0)
    nearest = np.where(behind_net, to_net * (rays @ axis), _NEAREST_M)
    high = np.maximum(low, 1 / np.maximum(nearest, 1e-6))
    return Places(
        uv_px,
        on_court,
        np.where(on_court, np.nan, (low + high) / 2),
        np.where(on_court, 0.0, (high - low) / np.sqrt(12)),
    )
