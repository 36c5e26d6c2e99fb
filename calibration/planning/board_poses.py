"""Where a careful person would hold the board: a fixed, even spread of poses without any random draw.

The spread is Halton's sequence. Source: Halton JH (1960), Numer Math 2:84-90.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from scipy.stats import qmc

from calibration.board import Board
from calibration.checks import Array
from calibration.court.model import Volume
from calibration.errors import NotMeasurable
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid

HELD_IN = Volume((-1.2, 1.2), (-0.6, 1.0), (0.7, 1.9))
"""Around the server's place: the middle of a board that a walking person holds, metres. Common practice."""

_TRIES = 3000
_LENS_TILT_RAD = (0.75, 0.75, 0.35)  # up to 43° each way about both axes of the picture: common practice
_SHARED_TILT_RAD = (0.35, 0.35, 0.35)
_LARGEST_SLANT_RAD = np.deg2rad(65.0)  # from the board's normal; beyond it corners are seldom found
_MARGIN_PX = 6.0


def lens_poses(camera: Camera, board: Board, count: int) -> list[Rigid]:
    """cam_from_board poses that fill the picture near and far, tilted every way, each wholly in the picture."""
    at_origin = camera.placed(Rigid.identity(f"cam_{camera.name}", "rig"))
    half = np.array(camera.size_px) / 2 / camera.K_px[0, 0]
    poses: list[Rigid] = []
    for u in qmc.Halton(6, scramble=False).random(_TRIES)[1:]:
        tilt = Rotation.from_rotvec((2 * u[:3] - 1) * _LENS_TILT_RAD).as_matrix()
        # near enough that the board spans a third to four fifths of the picture's width
        distance = float(np.ptp(board.points_m()[:, 0])) / (2 * half[0]) / (0.33 + 0.47 * u[3])
        centre = np.array([*((2 * u[4:] - 1) * half), 1.0]) * distance
        pose = Rigid(tilt, centre - tilt @ board.centre_m(), f"cam_{camera.name}", "board")
        if _whole(at_origin, pose.apply(board.points_m())):
            poses.append(pose)
            if len(poses) == count:
                return poses
    raise NotMeasurable(f"camera {camera.name}: the board does not fit into its picture {count} times over")


def shared_poses(cameras: Sequence[Camera], board: Board, count: int, server_x_m: float = 0.0) -> list[Rigid]:
    """court_from_board poses around the server, each held so that two cameras see it whole.

    Pairs of cameras take turns; the board faces the middle between the two.
    Raises NotMeasurable where no pose joins some camera to the others.
    """
    pairs = list(combinations(range(len(cameras)), 2))
    poses: list[Rigid] = []
    low, high = (
        np.array([side[k] for side in (HELD_IN.x_m, HELD_IN.y_m, HELD_IN.z_m)]) + (server_x_m, 0, 0)
        for k in (0, 1)
    )
    for k, u in enumerate(qmc.Halton(6, scramble=False).random(_TRIES)[1:]):
        a, b = pairs[k % len(pairs)]
        pose = _facing(low + u[:3] * (high - low), cameras[a], cameras[b], u[3:], board)
        if sum(views_of_boards(c, board, [pose])[0] for c in cameras) >= 2:
            poses.append(pose)
        if len(poses) == count:
            break
    _want_joined(cameras, board, poses, count)
    return poses


def views_of_boards(camera: Camera, board: Board, poses: Sequence[Rigid]) -> NDArray[np.bool_]:
    """(B,) whether the camera sees each whole board from its front, not too aslant."""
    out = np.zeros(len(poses), dtype=bool)
    for i, pose in enumerate(poses):
        to_camera = camera.centre_m() - pose.apply(board.centre_m())
        slant = -pose.R[:, 2] @ to_camera / np.linalg.norm(to_camera)
        out[i] = slant > np.cos(_LARGEST_SLANT_RAD) and _whole(camera, pose.apply(board.points_m()))
    return out


def _facing(centre_m: Array, a: Camera, b: Camera, u: Array, board: Board) -> Rigid:
    towards = sum(
        (d / np.linalg.norm(d) for d in (a.centre_m() - centre_m, b.centre_m() - centre_m)), np.zeros(3)
    )
    into = -towards / max(float(np.linalg.norm(towards)), 1e-9)
    across = np.cross(into, [0.0, 0.0, 1.0])
    across /= max(float(np.linalg.norm(across)), 1e-9)
    upright = np.stack([across, np.cross(into, across), into], axis=1)
    tilt = Rotation.from_rotvec((2 * u - 1) * _SHARED_TILT_RAD).as_matrix()
    R = upright @ tilt
    return Rigid(R, centre_m - R @ board.centre_m(), "court", "board")


def _whole(camera: Camera, x_m: Array) -> bool:
    uv = camera.project(x_m)
    inside = (uv > _MARGIN_PX) & (uv < np.array(camera.size_px) - _MARGIN_PX)
    return bool(np.isfinite(uv).all() and inside.all())


def _want_joined(cameras: Sequence[Camera], board: Board, poses: Sequence[Rigid], count: int) -> None:
    seen = np.array([views_of_boards(c, board, poses) for c in cameras]).reshape(len(cameras), len(poses))
    reached = {0}
    for _ in cameras:
        boards = seen[sorted(reached)].any(axis=0)
        reached |= {i for i in range(len(cameras)) if (seen[i] & boards).any()}
    if len(reached) < len(cameras) or len(poses) < count:
        apart = [c.name for i, c in enumerate(cameras) if i not in reached]
        names = ", ".join(apart or [c.name for c in cameras])
        raise NotMeasurable(
            f"too few board poses near the server can be seen by two cameras together ({names})"
        )
