"""A rough lens while the board is still being filmed, and what each further view would add to it.

The estimate is a weighted least squares over the lens and all board poses, poses eliminated view by view, with
a wide prior that keeps it finite from the first view on. It steers the person with the board; the calibration
itself is `calibration.lens`, which uses none of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.checks import Array, flat
from calibration.geometry.camera import N_LENS, POSE, TURN, Camera
from calibration.geometry.lens_models import lens_model
from calibration.geometry.rigid import Rigid

CORNER_SIGMA_PX = 0.1  # twice what board.py measures: a hand-held board is never quite flat or still
_FOCAL_PER_WIDTH = 0.9  # start where the views do not tell: 58 degrees across, as many cameras have
_PRIOR_FOCAL = 0.5  # of the focal length
_PRIOR_ASPECT = 0.01  # fx against fy: pixels are square to better than that (from memory of sensor data sheets)
_PRIOR_CENTRE = 0.05  # of the width
_PRIOR_TERM = 0.15  # radial terms and all others: a strong wide-angle lens stands at 2 sigma
_PRIOR_TANGENTIAL = 0.01
_STEPS = 12
_FIELDS = (9, 7)  # picture places at which the projection's uncertainty is told


@dataclass(frozen=True, slots=True, eq=False)
class PlaneView:
    """Corners (N, 2) px of one view, and where they are on the board, (N, 3) m."""

    points_m: Array
    corners_px: Array


@dataclass(frozen=True, slots=True, eq=False)
class RoughLens:
    """camera at the origin of its own frame; cam_from_board per view; information (U, U) of the lens parameters
    in use; sigma_px of one corner's coordinate, from the residuals once there are enough."""

    camera: Camera
    poses: tuple[Rigid, ...]
    information: Array
    sigma_px: float


def start_camera(name: str, size_px: tuple[int, int], views: Sequence[PlaneView], model: str) -> Camera:
    """A camera without lens terms: focal length from the views' perspective, or a usual one. Zhang Z (2000)."""
    width, height = size_px
    focal = _FOCAL_PER_WIDTH * width
    if views:
        points = [v.points_m.astype(np.float32) for v in views]
        pixels = [v.corners_px.astype(np.float32).reshape(-1, 1, 2) for v in views]
        guess = np.asarray(cv2.initCameraMatrix2D(points, pixels, size_px, 1.0), dtype=float)[0, 0]
        # a board seen without perspective says nothing; its formula then gives any number
        if np.isfinite(guess) and 0.4 * width < guess < 6 * width:
            focal = float(guess)
    K = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    terms = np.zeros(len(lens_model(model).terms))
    return Camera(name, size_px, K, terms, Rigid.identity(f"cam_{name}", "rig"), model)


def board_pose(camera: Camera, view: PlaneView) -> Rigid | None:
    """cam_from_board of one view; None where it gives none. Source: Collins T, Bartoli A (2014), Infinitesimal
    plane-based pose estimation, Int J Comput Vis 109:252-286 (OpenCV's implementation)."""
    n = camera.normalised(view.corners_px)
    ok = np.isfinite(n).all(axis=1)
    if ok.sum() < 4:
        return None
    found, turns, shifts, errors = cv2.solvePnPGeneric(
        view.points_m[ok], n[ok], np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    if not found:
        return None
    best = int(np.argmin(np.ravel(errors)))
    turn, shift = flat(turns[best]), flat(shifts[best])
    if not (np.isfinite(turn).all() and np.isfinite(shift).all() and shift[2] > 0):
        return None
    return Rigid.from_rotvec(turn, shift, f"cam_{camera.name}", "board")


def fit_rough_lens(name: str, size_px: tuple[int, int], views: Sequence[PlaneView], model: str) -> RoughLens:
    """The lens that fits the views so far, starting from nothing each time: same views, same lens."""
    camera = start_camera(name, size_px, views, model)
    start, prior = _used(camera), _prior(camera)
    kept = [(v, p) for v in views if (p := board_pose(camera, v)) is not None]
    poses = [p for _, p in kept]
    seen = [v for v, _ in kept]
    damping, cost = 1e-3, _cost(camera, seen, poses, start, prior)
    for _ in range(_STEPS):
        new_camera, new_poses = _step(camera, seen, poses, start, prior, damping)
        new_cost = _cost(new_camera, seen, new_poses, start, prior)
        if not new_cost < cost:
            damping *= 10
            continue
        done = cost - new_cost < 1e-3 * cost / max(1, len(seen))
        camera, poses, cost, damping = new_camera, new_poses, new_cost, damping / 10
        if done:
            break
    sigma = _sigma_px(camera, seen, poses)
    information = prior + sum(
        (view_information(camera.placed(p), v.points_m, sigma) for v, p in zip(seen, poses, strict=True)),
        np.zeros_like(prior),
    )
    return RoughLens(camera, tuple(poses), information, sigma)


def view_information(placed: Camera, points_m: Array, sigma_px: float) -> Array:
    """What one board view tells of the lens (U, U), its pose being unknown too: the Schur complement.

    placed: the camera in the board's frame.
    """
    jacobian = placed.project_with_parameter_jacobian(points_m)[1].reshape(2 * len(points_m), -1) / sigma_px
    by_lens, by_pose = jacobian[:, :N_LENS][:, lens_in_use(placed)], jacobian[:, POSE]
    across = by_lens.T @ by_pose
    return np.asarray(by_lens.T @ by_lens - across @ np.linalg.solve(by_pose.T @ by_pose, across.T))


def inverse(information: Array) -> Array:
    """Covariances (..., U, U) of information (..., U, U)."""
    return np.asarray(np.linalg.inv(information), dtype=float)


def lens_in_use(camera: Camera) -> Array:
    """Which of the N_LENS parameters the model has, as a mask."""
    return np.asarray(camera.used_parameters()[:N_LENS])


class ProjectionSpread:
    """How uncertain the lens leaves the projection at places all over the picture.

    A turn of the camera that undoes part of a lens error is taken out first (least squares over the picture):
    the camera's direction is found anew with every rig and court. The measure follows Peng S, Sturm P (2019),
    guidance of camera calibration by the projection's modelled uncertainty, ICCV (from memory).
    """

    def __init__(self, camera: Camera) -> None:
        width, height = camera.size_px
        u, v = np.meshgrid(np.linspace(0, width - 1, _FIELDS[0]), np.linspace(0, height - 1, _FIELDS[1]))
        n = camera.normalised(np.stack([u, v], axis=-1).reshape(-1, 2))
        n = n[np.isfinite(n).all(axis=1)]
        rays = np.column_stack([n, np.ones(len(n))])
        still = camera.placed(Rigid.identity(f"cam_{camera.name}", f"cam_{camera.name}"))
        jacobian = still.project_with_parameter_jacobian(rays)[1].reshape(2 * len(n), -1)
        lens, turn = jacobian[:, :N_LENS][:, lens_in_use(camera)], jacobian[:, TURN]
        self._by_lens = lens - turn @ np.linalg.lstsq(turn, lens, rcond=None)[0]

    def mean_variance_px2(self, covariance: Array) -> Array:
        """Mean over the picture of the projection's variance, px², for covariances (..., U, U)."""
        square = self._by_lens.T @ self._by_lens / (len(self._by_lens) / 2)
        return np.asarray(np.einsum("ij,...ij->...", square, covariance))

    def worst_u_px(self, covariance: Array) -> float:
        """The largest standard uncertainty of the projection at any place, in its worst direction, px."""
        by_lens = self._by_lens.reshape(-1, 2, self._by_lens.shape[1])
        at_place = by_lens @ covariance @ by_lens.transpose(0, 2, 1)
        return float(np.sqrt(np.linalg.eigvalsh(at_place)[:, -1].max()))


def _used(camera: Camera) -> Array:
    return np.asarray(camera.lens_vector()[lens_in_use(camera)])


def _prior(camera: Camera) -> Array:
    """Information (U, U) before any view."""
    width, focal = camera.size_px[0], camera.K_px[0, 0]
    tangential = {"p1", "p2"}
    terms = [_PRIOR_TANGENTIAL if t in tangential else _PRIOR_TERM for t in camera.lens_model.terms]
    sigma = np.array([_PRIOR_FOCAL * focal, _PRIOR_FOCAL * focal, *2 * [_PRIOR_CENTRE * width], *terms])
    out = np.diag(1 / sigma**2)
    out[:2, :2] += np.array([[1, -1], [-1, 1]]) / (_PRIOR_ASPECT * focal) ** 2
    return np.asarray(out)


def _residuals(camera: Camera, view: PlaneView, pose: Rigid) -> Array:
    return np.asarray(view.corners_px - camera.placed(pose).project(view.points_m))


def _cost(
    camera: Camera, views: Sequence[PlaneView], poses: Sequence[Rigid], start: Array, prior: Array
) -> float:
    off = _used(camera) - start
    total = float(off @ prior @ off)
    for view, pose in zip(views, poses, strict=True):
        total += float((_residuals(camera, view, pose) ** 2).sum()) / CORNER_SIGMA_PX**2
    return total if np.isfinite(total) else np.inf


def _step(
    camera: Camera,
    views: Sequence[PlaneView],
    poses: Sequence[Rigid],
    start: Array,
    prior: Array,
    damping: float,
) -> tuple[Camera, list[Rigid]]:
    """One damped Gauss-Newton step (Levenberg-Marquardt), the poses eliminated."""
    used = lens_in_use(camera)
    left, right = prior * 1.0, prior @ (start - _used(camera))
    parts = []
    for view, pose in zip(views, poses, strict=True):
        jacobian = camera.placed(pose).project_with_parameter_jacobian(view.points_m)[1]
        jacobian = jacobian.reshape(2 * len(view.points_m), -1) / CORNER_SIGMA_PX
        r = _residuals(camera, view, pose).ravel() / CORNER_SIGMA_PX
        a, b = jacobian[:, :N_LENS][:, used], jacobian[:, POSE]
        own = b.T @ b
        own = own + damping * np.diag(np.diag(own))
        gain = np.linalg.solve(own, np.column_stack([b.T @ a, b.T @ r]))
        left += a.T @ a - a.T @ b @ gain[:, :-1]
        right = right + a.T @ r - a.T @ b @ gain[:, -1]
        parts.append(gain)
    move = np.linalg.solve(left + damping * np.diag(np.diag(left)), right)
    lens = camera.lens_vector()
    lens[used] += move
    floor = 0.2 * camera.K_px[0, 0]  # a step that would turn the focal length over is cut
    lens[:2] = np.maximum(lens[:2], floor)
    moved = [
        _moved(pose, np.asarray(gain[:, -1] - gain[:, :-1] @ move, dtype=float))
        for pose, gain in zip(poses, parts, strict=True)
    ]
    return camera.with_lens(lens), moved


def _moved(pose: Rigid, step: Array) -> Rigid:
    turn = Rigid.from_rotvec(step[:3], np.zeros(3), pose.dst, pose.dst)
    return Rigid(turn.R @ pose.R, pose.t_m + step[3:], pose.dst, pose.src)


def _sigma_px(camera: Camera, views: Sequence[PlaneView], poses: Sequence[Rigid]) -> float:
    """Corner noise from the residuals, where they outnumber the unknowns well; else the usual one."""
    if len(views) < 4:
        return CORNER_SIGMA_PX
    squares = [_residuals(camera, v, p) ** 2 for v, p in zip(views, poses, strict=True)]
    count = sum(s.size for s in squares)
    unknowns = int(lens_in_use(camera).sum()) + 6 * len(views)
    if count < 2 * unknowns:
        return CORNER_SIGMA_PX
    return max(0.02, float(np.sqrt(sum(float(s.sum()) for s in squares) / (count - unknowns))))
