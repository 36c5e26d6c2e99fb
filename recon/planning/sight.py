"""Which points of the serve a camera sees plainly: rays cast at the stand-in body, the net and screens."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.court.model import DOUBLES_WIDTH_M, NET_HEIGHT_CENTRE_M, NET_HEIGHT_POST_M, NET_POST_OUTSIDE_M, NET_Y_M
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
        from open3d import core
        from open3d.t.geometry import RaycastingScene

        self._points = body.xyz_m
        self._depth = depth_under_skin_m(body, height_m)
        a, b, radius = parts_m(body, height_m)
        self._bodies: list[Any] = []
        for k in range(len(body.t_s)):
            scene = RaycastingScene(nthreads=1)
            vertices, triangles = capsule_mesh(a[k], b[k], radius)
            scene.add_triangles(core.Tensor(vertices.astype(np.float32)), core.Tensor(triangles.astype(np.uint32)))
            self._bodies.append(scene)
        self._walls: Any = None
        if walls:
            self._walls = RaycastingScene(nthreads=1)
            vertices, triangles = _wall_mesh(walls)
            self._walls.add_triangles(core.Tensor(vertices), core.Tensor(triangles))
        self._tensor = core.Tensor

    def plain_from(self, place_m: Array) -> NDArray[np.bool_]:
        """(T, P) whether a ray from place_m (3,) reaches each point with no more than its own limb before it."""
        towards = self._points - place_m
        distance = np.linalg.norm(towards, axis=-1)
        rays = np.concatenate(
            [np.broadcast_to(place_m, towards.shape), towards / distance[..., None]], axis=-1
        ).astype(np.float32)
        hit = np.stack(
            [scene.cast_rays(self._tensor(r), nthreads=1)["t_hit"].numpy() for scene, r in zip(self._bodies, rays, strict=True)]
        )
        plain = hit > distance - self._depth
        if self._walls is not None:
            plain &= self._walls.cast_rays(self._tensor(rays), nthreads=1)["t_hit"].numpy() > distance
        return np.asarray(plain)


def _wall_mesh(walls: Sequence[Wall]) -> tuple[NDArray[np.float32], NDArray[np.uint32]]:
    vertices, triangles = [], []
    for n, ((x0, y0), (x1, y1), height) in enumerate(walls):
        vertices += [(x0, y0, 0.0), (x1, y1, 0.0), (x1, y1, height), (x0, y0, height)]
        triangles += [(4 * n, 4 * n + 1, 4 * n + 2), (4 * n, 4 * n + 2, 4 * n + 3)]
    return np.array(vertices, dtype=np.float32), np.array(triangles, dtype=np.uint32)
