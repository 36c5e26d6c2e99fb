"""Which points of the serve a camera sees plainly: rays cast at the stand-in body, the net and screens."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.court.model import (
    DOUBLES_WIDTH_M,
    NET_HEIGHT_CENTRE_M,
    NET_HEIGHT_POST_M,
    NET_POST_OUTSIDE_M,
    NET_Y_M,
)
from recon.body import Body
from recon.planning.figure import capsule_mesh, depth_under_skin_m, parts_m

Wall = tuple[tuple[float, float], tuple[float, float], float]
"""An upright sheet that hides what is behind it: from (x, y), to (x, y), height; metres."""


def net_walls() -> list[Wall]:
    """The net, its height taken as the mean of middle and post on each half."""
    post = DOUBLES_WIDTH_M / 2 + NET_POST_OUTSIDE_M
    height = (NET_HEIGHT_CENTRE_M + NET_HEIGHT_POST_M) / 2
    return [((-post, NET_Y_M), (0.0, NET_Y_M), height), ((0.0, NET_Y_M), (post, NET_Y_M), height)]


class Sight:
    """The scene of a serve at every sample, ready for rays from any place."""

    def __init__(self, body: Body, height_m: float, walls: Sequence[Wall] = ()) -> None:
        self._points = body.xyz_m
        self._depth = depth_under_skin_m(body, height_m)
        a, b, radius = parts_m(body, height_m)
        self._bodies = [_Scene(*capsule_mesh(a[k], b[k], radius)) for k in range(len(body.t_s))]
        self._walls = _Scene(*_wall_mesh(walls)) if walls else None

    def plain_from(self, place_m: Array) -> NDArray[np.bool_]:
        """(T, P) whether a ray from place_m (3,) reaches each point with at most its own limb before it."""
        towards = self._points - place_m
        distance = np.linalg.norm(towards, axis=-1)
        rays = np.concatenate([np.broadcast_to(place_m, towards.shape), towards / distance[..., None]], axis=-1)
        hit = np.stack([scene.first_hit_m(r) for scene, r in zip(self._bodies, rays, strict=True)])
        plain = hit > distance - self._depth
        if self._walls is not None:
            plain &= self._walls.first_hit_m(rays) > distance
        return np.asarray(plain)


class _Scene:
    """Triangles that rays are cast at. Vertices (V, 3), triangles (F, 3)."""

    def __init__(self, vertices: Array, triangles: NDArray[np.int32]) -> None:
        import open3d  # imported here: the module takes seconds to load and only a plan needs it

        core: Any = open3d.core
        self._tensor = core.Tensor
        self._scene: Any = open3d.t.geometry.RaycastingScene(nthreads=1)
        self._scene.add_triangles(
            self._tensor(vertices.astype(np.float32)), self._tensor(triangles.astype(np.uint32))
        )

    def first_hit_m(self, rays: Array) -> Array:
        """(...,) distance to the first surface along rays (..., 6), origin and unit direction; inf if none."""
        hits = self._scene.cast_rays(self._tensor(rays.astype(np.float32)), nthreads=1)
        return np.asarray(hits["t_hit"].numpy(), dtype=float)


def _wall_mesh(walls: Sequence[Wall]) -> tuple[Array, NDArray[np.int32]]:
    corners = [
        [(x0, y0, 0.0), (x1, y1, 0.0), (x1, y1, height), (x0, y0, height)]
        for (x0, y0), (x1, y1), height in walls
    ]
    first = 4 * np.arange(len(walls))[:, None, None]
    triangles = first + np.array([[0, 1, 2], [0, 2, 3]])
    return np.array(corners, dtype=float).reshape(-1, 3), triangles.reshape(-1, 3).astype(np.int32)
