"""Parts that stand still: the court and the cameras."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from calibration import OUTLINES_M, PAINTED_LINES, Array, Camera
from calibration.court.model import NET_Y_M
from recon.scene import palette
from recon.scene.parts import Lines, Part, Patches, Words

_GROUND_MARGIN_M = 3.5
_PAINT_Z_M = 0.004  # paint lies above the ground, so that a renderer cannot mix the two up
_FRUSTUM_DEPTH_M = 0.45


def polyline(points_m: Array) -> Array:
    """Points (N, 3) as strokes (N - 1, 2, 3)."""
    p = np.asarray(points_m, dtype=float)
    return np.stack([p[:-1], p[1:]], axis=1)


def court() -> tuple[Part, ...]:
    """The server's half of the court: ground, paint, net."""
    paint = [line.corners_m() for line in PAINTED_LINES if line.y0_m < NET_Y_M]
    corners = np.minimum(np.stack(paint), [np.inf, NET_Y_M, np.inf]) + np.array([0.0, 0.0, _PAINT_Z_M])
    x = float(np.abs(corners[..., 0]).max()) + _GROUND_MARGIN_M
    y0, y1 = -_GROUND_MARGIN_M - 2.5, NET_Y_M
    ground = np.array([[[-x, y0, 0.0], [x, y0, 0.0], [x, y1, 0.0], [-x, y1, 0.0]]])
    net = np.array([pair for pair in pairwise(OUTLINES_M[-1])])
    return (
        Patches("ground", "court", ground, palette.GROUND, 1.0),
        Patches("court_paint", "court", corners, palette.PAINT, 1.0),
        Lines("net", "court", net, palette.GREY, 2.0),
    )


def frustum_m(camera: Camera, depth_m: float = _FRUSTUM_DEPTH_M) -> tuple[Array, Array]:
    """Optical centre (3,) and the four picture corners (4, 3) at a depth in front of it, world frame."""
    w, h = camera.size_px
    corners = np.array([[-0.5, -0.5], [w - 0.5, -0.5], [w - 0.5, h - 0.5], [-0.5, h - 0.5]])
    rays = camera.rays(corners)
    centre = camera.centre_m()
    per_depth = camera.depth_m(centre + rays)
    return centre, centre + rays * (depth_m / per_depth)[:, None]


def cameras(rig: Sequence[Camera]) -> tuple[Part, ...]:
    """Each camera as a small frustum with its name."""
    strokes, names, at = [], [], []
    for camera in rig:
        centre, corners = frustum_m(camera)
        strokes += [polyline(np.vstack([corners, corners[:1]]))]
        strokes += [np.stack([np.broadcast_to(centre, (4, 3)), corners], axis=1)]
        names.append(camera.name.replace("_", " "))
        at.append(centre + np.array([0.0, 0.0, 0.25]))
    return (
        Lines("cameras", "cameras", np.concatenate([np.zeros((0, 2, 3)), *strokes]), palette.TRUNK, 2.0),
        Words("camera_names", "cameras", tuple(names), np.array(at).reshape(-1, 3)),
    )
