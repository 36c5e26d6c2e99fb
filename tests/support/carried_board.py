"""An invented board that is carried through the serve volume without ever standing still, as cameras see it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.spatial.transform import Rotation

from calibration.board import Board
from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from calibration.views import BoardView
from tests.support.rig_worlds import BOARD, sees_all

SPEED_M_S = 0.3
_KNOT_S = 1.5  # a person carrying a board changes its tilt about so often
_BOUNCES = (
    (1.8, 0.010),
    (3.6, 0.002),
    (8.0, 0.0003),
)  # Hz, m: steps, their overtone, a hand's tremor (invented)


@dataclass(frozen=True)
class Carried:
    """A smooth way through the volume: the board's middle at a steady speed, its tilt wandering."""

    way: CubicSpline
    tilt: CubicSpline
    board: Board

    def pose(self, t_s: float) -> Rigid:
        """court_from_board at a true time."""
        # upright, the front towards the rear of the court: x right, the board's y down, z to the net
        upright = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
        R = Rotation.from_rotvec(self.tilt(t_s)).as_matrix() @ upright
        middle = self.way(t_s) + sum(
            size_m * np.sin(2 * np.pi * hz * t_s + np.arange(3)) * (0.5, 0.5, 1.0) for hz, size_m in _BOUNCES
        )
        return Rigid(R, middle - R @ self.board.centre_m(), "court", "board")


def carried(
    duration_s: float, rng: np.random.Generator, board: Board = BOARD,
    low_m: tuple[float, float, float] = (-0.6, -0.5, 0.5), high_m: tuple[float, float, float] = (1.2, 1.0, 2.2),
    turn_rad: float = 0.35, yaw_rad: float = 0.0, speed_m_s: float = SPEED_M_S,
) -> Carried:  # fmt: skip
    """A random way between points of a box, at `speed_m_s` on the whole.

    yaw_rad turns the board's front from the rear of the court towards the right, on average.
    """
    count = int(duration_s * speed_m_s / 0.45) + 6
    points = np.array([rng.uniform(low_m, high_m) for _ in range(count)])
    legs = np.maximum(np.linalg.norm(np.diff(points, axis=0), axis=1), 0.2)
    times = np.concatenate([[0.0], np.cumsum(legs / speed_m_s)]) - 2.0
    fine = np.arange(times[0], times[-1], 0.05)
    smooth = CubicSpline(times, points)(fine)
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(smooth, axis=0), axis=1))])
    way = CubicSpline(length / speed_m_s - 2.0, smooth)  # the same way, run through at an even speed
    knots = np.arange(-3.0, duration_s + 6.0, _KNOT_S)
    tilt = CubicSpline(knots, rng.normal(0, turn_rad, (len(knots), 3)) * (1.0, 0.6, 1.0) + (0, 0, yaw_rad))
    return Carried(way, tilt, board)


def views_of(
    camera: Camera, board_way: Carried, frame_s: Array, t_s: Array, sigma_px: float, rng: np.random.Generator
) -> list[BoardView]:
    """Views at true times t_s (V,), stamped frame_s (V,) by the camera's own clock."""
    points = board_way.board.points_m()
    views = []
    for k, (own, true) in enumerate(zip(frame_s, t_s, strict=True)):
        pose = board_way.pose(float(true))
        x = pose.apply(points)
        in_camera = camera.cam_from_world @ pose
        middle = in_camera.apply(board_way.board.centre_m())
        if in_camera.R[:, 2] @ middle > 0.35 * np.linalg.norm(middle) and sees_all(camera, x):
            views.append(BoardView(k, float(own), camera.project(x) + rng.normal(0, sigma_px, (len(x), 2))))
    return views
