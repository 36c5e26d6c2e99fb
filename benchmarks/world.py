"""Invented calibration footage: where cameras stand, what they see of a board and of the court, and the truth.

Everything is drawn from a seeded generator; no picture is rendered: corners are the camera model's own, with
white noise. Figures of the arrangement (cameras 7.5 to 7.8 m from the player, 1920 x 1080, f = 1400 px, 20 near
views of the board per camera, shared views in the player's volume) are those of docs/evidence/calibration.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array
from calibration.geometry import Camera, Rigid

_PLACES_M = {"left": (-2.5, -7.0, 1.6), "right": (5.5, -5.5, 1.7), "side": (8.0, 0.8, 1.6)}
_NARROW_M = {"left": (-1.5, -7.0, 1.6), "right": (1.7, -7.2, 1.7), "side": (8.0, 0.8, 1.6)}
_TARGET_M = (0.4, -0.1, 1.75)
_LENS_TERMS = (-0.12, 0.06, 0.0005, -0.0005, 0.0)
_MARGIN_PX = 8.0
_STEEPEST_RAD = np.radians(66)  # a board seen more from the side than this is not found by a detector

COURT_XYZ_M = np.array(
    [(x, 0.0, 0.0) for x in (-5.485, -4.115, 4.115, 5.485)]
    + [(0.0, 0.1, 0.0)]
    + [(x, y, 0.0) for y in (5.485, 18.285) for x in (-4.115, 0.0, 4.115)]
    + [(x, 23.77, 0.0) for x in (-5.485, -4.115, 4.115, 5.485)]
    + [(-6.399, 11.885, 1.07), (6.399, 11.885, 1.07), (0.0, 11.885, 0.914)]
)
"""Corners of the lines, and the net's top at its posts and middle, in the court frame."""


@dataclass(frozen=True, slots=True)
class Arrangement:
    """What is filmed.

    n_cameras     2 or 3
    single_views  board poses near each camera, seen by it alone
    shared_views  board poses in the player's volume, each seen by two cameras or more
    bow_m         rise of the board's middle over its outermost corners (away from the cameras), a paraboloid
    court_px, court_m  noise of clicked court points and of the paint; None: no court points
    """

    n_cameras: int = 3
    single_views: int = 20
    shared_views: int = 20
    square_m: float = 0.1
    noise_px: float = 0.2
    bow_m: float = 0.0
    court_px: float | None = None
    court_m: float = 0.0
    narrow: bool = False
    small_picture: bool = False

    @property
    def board(self) -> Board:
        """The flat board that the solvers are told of."""
        return Board(9, 6, self.square_m)

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) of every camera's picture."""
        return (1280, 720) if self.small_picture else (1920, 1080)


@dataclass(frozen=True, slots=True, eq=False)
class CourtSeen:
    """Court points in one camera: indices into COURT_XYZ_M and pixels (N, 2)."""

    camera: int
    ids: NDArray[np.intp]
    uv_px: Array


@dataclass(frozen=True, slots=True, eq=False)
class World:
    """One invented recording and its truth.

    cameras           true cameras in the court frame
    court_from_board  true board poses
    camera, board     (M,) which camera saw which board pose
    uv_px             (M, N, 2) noisy corners
    """

    arrangement: Arrangement
    cameras: tuple[Camera, ...]
    court_from_board: tuple[Rigid, ...]
    camera: Array
    board: Array
    uv_px: Array
    court: tuple[CourtSeen, ...]

    @property
    def points_m(self) -> Array:
        """(N, 3) corners of the flat board."""
        return self.arrangement.board.points_m()

    @property
    def n_boards(self) -> int:
        """How many board poses there are."""
        return len(self.court_from_board)

    def view_of(self) -> NDArray[np.int64]:
        """(cameras, boards) index of the view, −1 where that camera does not see that board."""
        table = np.full((len(self.cameras), self.n_boards), -1, dtype=np.int64)
        table[self.camera, self.board] = np.arange(len(self.camera))
        return table


def make_world(arrangement: Arrangement, seed: int) -> World:
    """The recording of this seed; the same seed gives the same one."""
    rng = np.random.default_rng(seed)
    cameras = _cameras(arrangement)
    bent = bowed_points(arrangement)
    poses, views = _single_views(arrangement, cameras, bent, rng)
    for pose, seen in _shared_views(arrangement, cameras, bent, rng):
        views += [(c, len(poses), uv) for c, uv in seen]
        poses.append(pose)
    exact = np.array([uv for _, _, uv in views])
    noisy = exact + arrangement.noise_px * rng.standard_normal(exact.shape)
    court = () if arrangement.court_px is None else _court_seen(arrangement, arrangement.court_px, cameras, rng)
    return World(
        arrangement, cameras, tuple(poses), np.array([c for c, _, _ in views]),
        np.array([b for _, b, _ in views]), noisy, court,
    )  # fmt: skip


def bowed_points(arrangement: Arrangement) -> Array:
    """(N, 3) corners of the board as it really is."""
    flat = arrangement.board.points_m()
    r2 = ((flat - flat.mean(axis=0)) ** 2).sum(axis=1)
    rise = arrangement.bow_m * (1 - r2 / r2.max())
    return np.asarray(flat + rise[:, None] * np.array([0.0, 0.0, 1.0]))


def _cameras(arrangement: Arrangement) -> tuple[Camera, ...]:
    places = _NARROW_M if arrangement.narrow else _PLACES_M
    width, height = arrangement.size_px
    f = 1000.0 if arrangement.small_picture else 1400.0
    K = np.array([[f, 0, width / 2 + 6], [0, 1.0005 * f, height / 2 - 4], [0, 0, 1]])
    out = []
    for name, place in list(places.items())[: arrangement.n_cameras]:
        pose = Rigid.aimed(name, place, _TARGET_M)
        out.append(Camera(name, arrangement.size_px, K, np.array(_LENS_TERMS), pose))
    return tuple(out)


_View = tuple[int, int, Array]


def _single_views(
    arrangement: Arrangement, cameras: tuple[Camera, ...], bent: Array, rng: np.random.Generator
) -> tuple[list[Rigid], list[_View]]:
    """Boards near one camera, 8 to 26 squares away, all over its picture, tilted up to 43 degrees an axis."""
    poses: list[Rigid] = []
    views: list[_View] = []
    for c, camera in enumerate(cameras):
        wanted = len(poses) + arrangement.single_views
        while len(poses) < wanted:
            depth = rng.uniform(8, 26) * arrangement.square_m
            uv = rng.uniform(0.1, 0.9, 2) * arrangement.size_px
            ray = (uv - np.array(arrangement.size_px) / 2) / np.diag(camera.K_px)[:2]
            centre = camera.cam_from_world.inverse().apply(depth * np.append(ray, 1.0))
            pose = _facing(centre, centre - camera.centre_m(), rng.uniform(-0.75, 0.75, 3), bent)
            seen = _seen(camera, pose, bent)
            if seen is not None:
                views.append((c, len(poses), seen))
                poses.append(pose)
    return poses, views


def _shared_views(
    arrangement: Arrangement, cameras: tuple[Camera, ...], bent: Array, rng: np.random.Generator
) -> list[tuple[Rigid, list[tuple[int, Array]]]]:
    """Boards where the player will be, turned half-way between the two cameras of a pair, all pairs in turn."""
    pairs = list(combinations(range(len(cameras)), 2))
    out: list[tuple[Rigid, list[tuple[int, Array]]]] = []
    while len(out) < arrangement.shared_views:
        centre = rng.uniform((-0.8, -1.2, 0.5), (1.6, 1.4, 2.3))
        away = [centre - cameras[c].centre_m() for c in pairs[len(out) % len(pairs)]]
        between = np.sum([a / np.linalg.norm(a) for a in away], axis=0)
        pose = _facing(centre, between, rng.uniform(-0.45, 0.45, 3), bent)
        views = [(c, uv) for c, camera in enumerate(cameras) if (uv := _seen(camera, pose, bent)) is not None]
        if len(views) >= 2:
            out.append((pose, views))
    return out


def _facing(centre: Array, away: Array, tilt: Array, bent: Array) -> Rigid:
    """court_from_board with the board's middle at `centre`, its back along `away`, then tilted about itself."""
    R = Rigid.aimed("board", np.zeros(3), away).R.T @ Rigid.from_rotvec(tilt, np.zeros(3), "board", "board").R
    return Rigid(R, centre - R @ bent.mean(axis=0), "court", "board")


def _seen(camera: Camera, pose: Rigid, bent: Array) -> Array | None:
    """Exact corners (N, 2), or None where the camera does not see the whole front of the board well enough."""
    x = pose.apply(bent)
    local = camera.cam_from_world.apply(x)
    if local[:, 2].min() < 0.3:
        return None
    centre, normal = local.mean(axis=0), camera.cam_from_world.R @ pose.R[:, 2]
    if normal @ centre < np.cos(_STEEPEST_RAD) * np.linalg.norm(centre):
        return None
    uv = camera.project(x)
    inside = (uv > _MARGIN_PX).all() and (uv < np.array(camera.size_px) - _MARGIN_PX).all()
    return uv if inside else None


def _court_seen(
    arrangement: Arrangement, noise_px: float, cameras: tuple[Camera, ...], rng: np.random.Generator
) -> tuple[CourtSeen, ...]:
    """Clicks on the painted points, which lie a little off the rules' places (half as much in height)."""
    painted = COURT_XYZ_M + arrangement.court_m * rng.standard_normal(COURT_XYZ_M.shape) * (1, 1, 0.5)
    out = []
    for c, camera in enumerate(cameras):
        uv = camera.project(painted)
        ahead = camera.depth_m(painted) > 1
        ids = np.flatnonzero(ahead & (uv > 2).all(axis=1) & (uv < np.array(camera.size_px) - 2).all(axis=1))
        clicks = uv[ids] + noise_px * rng.standard_normal((len(ids), 2))
        out.append(CourtSeen(c, ids, clicks))
    return tuple(out)
