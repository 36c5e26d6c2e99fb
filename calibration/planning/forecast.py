"""The covariance that a calibration will have, before anything is filmed.

At the truth the residuals vanish, and the covariance of the joint fit over cameras, board poses, square size
and paint is the inverse of its normal matrix, which needs poses and derivatives but no measured pixel.
Source of the method: Triggs B et al. (1999), Bundle adjustment - a modern synthesis, sections 4 and 9.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from calibration.board import Board
from calibration.checks import Array
from calibration.court.model import POINTS
from calibration.court.registration import CourtOptions
from calibration.court.uncertainty import sees
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry.camera import N_CAMERA, N_LENS, Camera
from calibration.geometry.rigid import Rigid
from calibration.planning.board_poses import lens_poses, shared_poses, views_of_boards


@dataclass(frozen=True, kw_only=True, slots=True)
class CalibrationPlan:
    """How the rig is going to be calibrated.

    lens_views    board views of each camera alone
    shared_views  board poses held where two or more cameras see them
    corner_u_px   of a found board corner along each image axis: 0.1 to 0.3 px are usual for a sharp board
    court         of the clicks and the paint
    """

    board: Board = field(default_factory=lambda: Board(9, 6, 0.1))
    lens_views: int = 20
    shared_views: int = 20
    corner_u_px: float = 0.2
    court: CourtOptions = field(default_factory=CourtOptions)

    def __post_init__(self) -> None:
        if self.lens_views < 8 or self.shared_views < 3:
            raise BadInput(f"calibration plan: want at least 8 lens views and 3 shared ones, got {self}")
        if not 0 < self.corner_u_px < 5:
            raise BadInput(f"calibration plan: want a corner_u_px above 0 and below 5, got {self.corner_u_px}")


class LensForecasts:
    """What the lens views alone will tell of each lens, worked out once per lens and kept."""

    def __init__(self, plan: CalibrationPlan) -> None:
        self._plan = plan
        self._known: dict[tuple[float, tuple[int, int]], Array] = {}

    def information(self, camera: Camera) -> Array:
        """(12, 12) information on the first N_LENS of PARAMETERS."""
        key = (float(camera.K_px[0, 0]), camera.size_px)
        if key not in self._known:
            self._known[key] = _lens_information(camera, self._plan)
        return self._known[key]


def forecast_covariance(
    cameras: Sequence[Camera],
    plan: CalibrationPlan,
    lenses: LensForecasts | None = None,
    server_x_m: float = 0.0,
) -> Array:
    """(18 C, 18 C) covariance of the cameras' PARAMETERS in the court, from the planned boards and clicks.

    Every court point in a camera's picture counts as clicked once. Raises NotMeasurable where no board pose
    joins the cameras, or where clicks and boards leave something free.
    """
    lenses = lenses or LensForecasts(plan)
    n = N_CAMERA * len(cameras)
    information = np.zeros((n + 1, n + 1))  # the last unknown is the common relative error of the squares
    for i, camera in enumerate(cameras):
        at = slice(N_CAMERA * i, N_CAMERA * i + N_LENS)
        information[at, at] += lenses.information(camera)
    relative = max(plan.board.square_u_m / plan.board.square_m, 1e-9)
    information[n, n] = 1 / relative**2
    information += _from_boards(cameras, plan, shared_poses(cameras, plan.board, plan.shared_views, server_x_m))
    information[:n, :n] += _from_clicks(cameras, plan.court)
    free = np.flatnonzero(np.append(np.concatenate([c.used_parameters() for c in cameras]), True))
    out = np.zeros((n, n))
    inner = _inverse(information[np.ix_(free, free)])[:-1, :-1]
    out[np.ix_(free[:-1], free[:-1])] = inner
    return out


def _lens_information(camera: Camera, plan: CalibrationPlan) -> Array:
    """Each view's own board pose is unknown and is eliminated."""
    at_origin = camera.placed(Rigid.identity(f"cam_{camera.name}", "court"))
    total = np.zeros((N_LENS, N_LENS))
    for pose in lens_poses(camera, plan.board, plan.lens_views):
        court_from_board = Rigid(pose.R, pose.t_m, "court", "board")
        by_camera, by_board, _ = _derivatives(at_origin, plan.board, court_from_board, plan.corner_u_px)
        by_lens = by_camera[:, :N_LENS]
        total += by_lens.T @ by_lens - _eliminated(by_lens.T @ by_board, by_board.T @ by_board)
    return total


def _from_boards(cameras: Sequence[Camera], plan: CalibrationPlan, poses: Sequence[Rigid]) -> Array:
    n = N_CAMERA * len(cameras)
    total = np.zeros((n + 1, n + 1))
    seen = [views_of_boards(c, plan.board, poses) for c in cameras]
    for b, pose in enumerate(poses):
        joint, mixed, own = np.zeros((n + 1, n + 1)), np.zeros((n + 1, 6)), np.zeros((6, 6))
        for i, camera in enumerate(cameras):
            if not seen[i][b]:
                continue
            by_camera, by_board, by_scale = _derivatives(camera, plan.board, pose, plan.corner_u_px)
            here = np.append(np.arange(N_CAMERA * i, N_CAMERA * (i + 1)), n)
            by_unknown = np.concatenate([by_camera, by_scale[:, None]], axis=1)
            joint[np.ix_(here, here)] += by_unknown.T @ by_unknown
            mixed[here] += by_unknown.T @ by_board
            own += by_board.T @ by_board
        total += joint - _eliminated(mixed, own)
    return total


def _derivatives(camera: Camera, board: Board, pose: Rigid, corner_u_px: float) -> tuple[Array, Array, Array]:
    """Of all corner coordinates (2N,) in sigmas: by PARAMETERS (2N, 18), board pose (2N, 6), log size (2N,)."""
    turned = pose.rotate(board.points_m())
    _, by_point, by_camera = camera.project_all(turned + pose.t_m)
    by_turn = np.stack([(by_point @ np.cross(axis, turned)[..., None])[..., 0] for axis in np.eye(3)], axis=-1)
    by_board = np.concatenate([by_turn, by_point], axis=-1)
    by_scale = (by_point @ turned[..., None])[..., 0]
    sigmas = 1 / corner_u_px
    return (
        by_camera.reshape(-1, N_CAMERA) * sigmas,
        by_board.reshape(-1, 6) * sigmas,
        by_scale.reshape(-1) * sigmas,
    )


def _from_clicks(cameras: Sequence[Camera], options: CourtOptions) -> Array:
    """One click per court point and camera; the point's paint errors are shared by its clicks."""
    n = N_CAMERA * len(cameras)
    total = np.zeros((n, n))
    for point in POINTS:
        joint, mixed, own = np.zeros((n, n)), np.zeros((n, 2)), np.eye(2)
        for i, camera in enumerate(cameras):
            uv, by_point, by_camera = camera.project_all(np.array(point.xyz_m))
            if not sees(camera, uv):
                continue
            here = slice(N_CAMERA * i, N_CAMERA * (i + 1))
            by_unknown = by_camera / options.click_u_px
            by_paint = by_point[:, :2] * options.paint_u_m / options.click_u_px
            joint[here, here] += by_unknown.T @ by_unknown
            mixed[here] += by_unknown.T @ by_paint
            own += by_paint.T @ by_paint
        total += joint - _eliminated(mixed, own)
    return total


def _eliminated(mixed: Array, own: Array) -> Array:
    """What a nuisance with information `own` takes from the others (Schur complement)."""
    return np.asarray(mixed @ np.linalg.solve(own, mixed.T))


def _inverse(information: Array) -> Array:
    d = 1 / np.sqrt(np.maximum(np.diag(information), 1e-300))
    values, vectors = np.linalg.eigh(information * np.outer(d, d))
    if values[0] < 1e-13 * values[-1]:
        raise NotMeasurable(
            "boards and clicks leave the cameras free to move: too few court points lie in the pictures"
        )
    return np.asarray((vectors / values) @ vectors.T * np.outer(d, d))
