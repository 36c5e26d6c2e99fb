"""What a rig's covariance means for points around the server: in the court, and for shapes alone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.checks import Array
from calibration.court.model import Volume
from calibration.court.uncertainty import sees
from calibration.errors import NotMeasurable
from calibration.geometry.camera import N_CAMERA, Camera


def court_u_m(cameras: Sequence[Camera], covariance: Array, volume: Volume) -> float:
    """Standard uncertainty of a point's place in the court, metres: what calibration alone adds.

    Root of summed axis variances, root mean square over the volume. Raises NotMeasurable where no two cameras
    see a point.
    """
    return _root_mean(_joint(cameras, covariance, volume.grid_m())[0])


def shape_u_m(cameras: Sequence[Camera], covariance: Array, volume: Volume) -> float:
    """The same after the best rigid move of all points together: what distances and angles feel."""
    joint, points = _joint(cameras, covariance, volume.grid_m())
    centred = points - points.mean(axis=0)
    turns = np.stack([np.cross(axis, centred) for axis in np.eye(3)], axis=-1)
    moves = np.concatenate([turns, np.broadcast_to(np.eye(3), (len(points), 3, 3))], axis=-1).reshape(-1, 6)
    basis, _ = np.linalg.qr(moves)
    rest = np.eye(len(joint)) - basis @ basis.T
    return _root_mean(rest @ joint @ rest)


def _root_mean(joint: Array) -> float:
    return float(np.sqrt(np.trace(joint) / (len(joint) / 3)))


def _joint(cameras: Sequence[Camera], covariance: Array, points_m: Array) -> tuple[Array, Array]:
    """(3N, 3N) joint covariance of the points that two cameras see, and those points (N, 3)."""
    information = np.zeros((len(points_m), 3, 3))
    pull = np.zeros((len(points_m), 3, N_CAMERA * len(cameras)))
    count = np.zeros(len(points_m), dtype=int)
    for i, camera in enumerate(cameras):
        uv, by_point, by_camera = camera.project_all(points_m)
        seen = np.array([sees(camera, p) for p in uv])
        count += seen
        information[seen] += by_point[seen].swapaxes(1, 2) @ by_point[seen]
        pull[seen, :, N_CAMERA * i : N_CAMERA * (i + 1)] = by_point[seen].swapaxes(1, 2) @ by_camera[seen]
    told = count >= 2
    if not told.any():
        raise NotMeasurable("no point around the server is seen by two cameras")
    gain = np.linalg.solve(information[told], pull[told]).reshape(-1, N_CAMERA * len(cameras))
    return gain @ covariance @ gain.T, points_m[told]
