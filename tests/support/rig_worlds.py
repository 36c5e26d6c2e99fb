"""Invented rigs and board poses without pictures: exact or noisy corners straight from the camera model."""

from __future__ import annotations

import numpy as np

from calibration.board import Board
from calibration.bundle import bent_points
from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from calibration.shared import Placement, SharedView
from calibration.views import BoardView

SIZE_PX = (1280, 720)
BOARD = Board(9, 6, 0.1)
PLACES_M = {"left": (-4.2, -6.2, 2.4), "right": (4.2, -6.2, 2.4), "side": (7.2, 1.0, 2.2)}
LENS = {
    "left": (1004.0, 1005.0, 644.0, 355.0, -0.14, 0.035, 0.0006, -0.0004, 0.0),
    "right": (992.0, 991.0, 634.0, 363.0, -0.12, 0.025, -0.0005, 0.0007, 0.0),
    "side": (1012.0, 1013.0, 641.0, 358.0, -0.16, 0.05, 0.0003, 0.0005, 0.0),
}


def court_camera(name: str) -> Camera:
    """One of the invented cameras, in the court."""
    lens = LENS[name]
    K = np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1.0]])
    return Camera(name, SIZE_PX, K, np.array(lens[4:]), Rigid.aimed(name, PLACES_M[name], (0.0, 0.4, 1.3)))


def court_cameras(names: tuple[str, ...] = ("left", "right", "side")) -> tuple[Camera, ...]:
    """The invented rig in the court."""
    return tuple(court_camera(n) for n in names)


def rig_cameras(cameras: tuple[Camera, ...]) -> tuple[Camera, ...]:
    """The same cameras in the frame of the first one."""
    first = cameras[0]
    court_from_rig = first.cam_from_world.inverse() @ Rigid.identity(f"cam_{first.name}", "rig")
    return tuple(c.placed(c.cam_from_world @ court_from_rig) for c in cameras)


def board_facing(
    camera: Camera,
    rng: np.random.Generator,
    distance_m: tuple[float, float],
    reach: tuple[float, float] = (0.45, 0.25),
) -> Rigid:
    """A board pose in front of a camera, tilted up to 45 degrees, wholly in its picture.

    reach: how far its middle may be off the axis, as tangents.
    """
    while True:
        distance = rng.uniform(*distance_m)
        n = rng.uniform(-np.array(reach), reach)
        tilt = Rigid.from_rotvec(rng.uniform(-0.75, 0.75, 3) * (1, 1, 0.5), np.zeros(3), "cam", "board")
        centre = np.array([n[0], n[1], 1.0]) * distance
        pose = Rigid(tilt.R, centre - tilt.R @ BOARD.centre_m(), f"cam_{camera.name}", "board")
        if sees_all(camera.placed(Rigid.identity(f"cam_{camera.name}", "rig")), pose.apply(BOARD.points_m())):
            return pose


def sees_all(camera: Camera, x_m: Array) -> bool:
    """True where every point is in the picture."""
    uv = camera.project(x_m)
    return bool(np.isfinite(uv).all() and (uv > 5).all() and (uv < np.array(camera.size_px) - 6).all())


def lens_views(
    camera: Camera,
    count: int,
    sigma_px: float,
    rng: np.random.Generator,
    *,
    distance_m: tuple[float, float] = (0.9, 2.0),
    reach: tuple[float, float] = (0.45, 0.25),
    bow_m: Array | None = None,
) -> list[BoardView]:
    """Board views of one camera with white corner noise."""
    points = BOARD.points_m() if bow_m is None else bent_points(BOARD.points_m(), bow_m)
    at_origin = camera.placed(Rigid.identity(f"cam_{camera.name}", "rig"))
    views = []
    for i in range(count):
        x = board_facing(camera, rng, distance_m, reach).apply(points)
        uv = at_origin.project(x) + rng.normal(0, sigma_px, (len(x), 2))
        views.append(BoardView(i, float(i), uv, rise_px=2.0))
    return views


def shared_boards(
    cameras: tuple[Camera, ...], count: int, rng: np.random.Generator, *, at_least: int = 2
) -> list[Rigid]:
    """world_from_board poses in the serve volume, each wholly seen from its front by `at_least` cameras."""
    poses: list[Rigid] = []
    while len(poses) < count:
        seen_from = cameras[rng.integers(len(cameras))]
        local = board_facing(seen_from, rng, (5.0, 8.0))
        pose = seen_from.cam_from_world.inverse() @ local
        if sum(faces(c, pose) for c in cameras) >= at_least:
            poses.append(pose)
    return poses


def faces(camera: Camera, world_from_board: Rigid) -> bool:
    """True where the camera sees the whole front of the board, not at a grazing angle."""
    x = world_from_board.apply(BOARD.points_m())
    pose = camera.cam_from_world @ world_from_board
    centre = pose.apply(BOARD.centre_m())
    facing = float(pose.R[:, 2] @ centre) / float(np.linalg.norm(centre))
    return sees_all(camera, x) and facing > 0.4


def shared_views(
    cameras: tuple[Camera, ...],
    poses: list[Rigid],
    sigma_px: float,
    rng: np.random.Generator,
    bow_m: Array | None = None,
) -> list[SharedView]:
    """What the cameras that face each board see of it."""
    points = BOARD.points_m() if bow_m is None else bent_points(BOARD.points_m(), bow_m)
    views = []
    for i, pose in enumerate(poses):
        x = pose.apply(points)
        corners = {
            c.name: c.project(x) + rng.normal(0, sigma_px, (len(x), 2)) for c in cameras if faces(c, pose)
        }
        views.append(SharedView(f"pose {i}", corners))
    return views


def rough_placements(cameras: tuple[Camera, ...], rng: np.random.Generator) -> list[Placement]:
    """Every camera against the first, disturbed by a few degrees and a tenth of a metre."""
    first = cameras[0]
    out = []
    for other in cameras[1:]:
        exact = other.cam_from_world @ first.cam_from_world.inverse()
        wrong = Rigid.from_rotvec(rng.normal(0, 0.03, 3), rng.normal(0, 0.1, 3), exact.dst, exact.dst)
        out.append(Placement(first.name, other.name, wrong @ exact, 5))
    return out


def parameter_error(estimate: Camera, true: Camera) -> Array:
    """(18,) estimate minus truth in calibration.geometry.camera.PARAMETERS."""
    turn = Rigid(estimate.cam_from_world.R @ true.cam_from_world.R.T, np.zeros(3), "a", "b").rotvec_rad()
    return np.concatenate(
        [
            estimate.lens_vector() - true.lens_vector(),
            turn,
            estimate.cam_from_world.t_m - true.cam_from_world.t_m,
        ]
    )


def squared_in_sigmas(error: Array, covariance: Array) -> tuple[float, int]:
    """eᵀ C⁻¹ e and its degrees of freedom, leaving out directions without variance."""
    live = np.flatnonzero(np.diag(covariance) > 0)
    d = np.sqrt(np.diag(covariance)[live])
    values, vectors = np.linalg.eigh(covariance[np.ix_(live, live)] / np.outer(d, d))
    keep = values > 1e-12 * values.max()
    z = (vectors[:, keep].T @ (error[live] / d)) / np.sqrt(values[keep])
    return float(z @ z), int(keep.sum())
