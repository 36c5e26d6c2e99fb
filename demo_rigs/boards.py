"""A checkerboard in front of a camera: its picture, and the paths on which it is carried about."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from demo_rigs.description import Board
from demo_rigs.kinematics import turn
from demo_rigs.lens_map import SCALE, LensMap, Window, window_around

_TEXEL_PER_SQUARE = (128, 64, 32, 16)


@dataclass(frozen=True, slots=True, eq=False)
class BoardPicture:
    """The board's surface at several finenesses. Board frame: x along columns, y along rows, z into the board,
    metres, origin at the first inner corner."""

    board: Board
    textures: tuple[Array, ...]

    def outline_m(self) -> Array:
        """Corners (4, 3) of the white margin."""
        s, m = self.board.square_mm / 1000, self.board.margin_mm / 1000
        low = -s - m
        x, y = self.board.columns * s + m, self.board.rows * s + m
        return np.array([[low, low, 0], [x, low, 0], [x, y, 0], [low, y, 0]])

    def centre_m(self) -> Array:
        """Middle (3,) of the board."""
        return np.asarray(self.outline_m().mean(axis=0))


def board_picture(board: Board) -> BoardPicture:
    """Draws the board once; finer textures for near views, coarser ones so that far views do not alias."""
    cells = np.indices((board.rows + 1, board.columns + 1)).sum(axis=0) % 2
    out = []
    for texel in _TEXEL_PER_SQUARE:
        margin = _margin_texels(board, texel)
        ink = np.kron(cells, np.ones((texel, texel)))
        level = np.pad(np.where(ink == 0, 0.06, 0.90), margin, constant_values=0.90)
        out.append(level.astype(np.float32))
    return BoardPicture(board, tuple(out))


def draw_board(
    picture: BoardPicture, court_from_board: Rigid, lens: LensMap, brightness: float
) -> tuple[Window, Array] | None:
    """The board in one picture: its window and (h, w, 2) level and coverage, or None if it is not in view.

    Raises nothing: a board seen from behind is drawn as a plain grey panel.
    """
    camera = lens.camera
    outline = court_from_board.apply(picture.outline_m())
    if np.any(camera.depth_m(outline) < 0.2):
        return None
    window = window_around(camera.project(_edge_points(outline)), camera.size_px, 2)
    if window is None:
        return None
    at = lens.straight_window(window)
    H, pixels_per_square = _straight_from_board(camera, court_from_board, picture.board.square_mm / 1000)
    fit = [k for k, texel in enumerate(_TEXEL_PER_SQUARE) if texel <= 1.5 * pixels_per_square * SCALE]
    k = fit[0] if fit else len(_TEXEL_PER_SQUARE) - 1
    fine_from_straight = np.array(
        [[SCALE, 0, (0.5 - at.left) * SCALE - 0.5], [0, SCALE, (0.5 - at.top) * SCALE - 0.5], [0, 0, 1]]
    )
    texture = picture.textures[k]
    M = fine_from_straight @ H @ _board_from_texel(picture, k)
    size = ((at.right - at.left) * SCALE, (at.bottom - at.top) * SCALE)
    facing = float((camera.centre_m() - outline[0]) @ court_from_board.R[:, 2]) < 0
    level = texture if facing else np.full_like(texture, 0.45)
    two = np.stack([level * brightness, np.ones_like(level)], axis=-1)
    straight = cv2.warpPerspective(two, M, size, flags=cv2.INTER_LINEAR)
    return window, lens.bend(straight, at, window)


def _edge_points(outline: Array) -> Array:
    """Points along the four edges: with a bent lens the corners alone do not bound the board."""
    s = np.linspace(0, 1, 9)[:, None]
    return np.concatenate([a + s * (b - a) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)])


def _straight_from_board(camera: Camera, court_from_board: Rigid, square_m: float) -> tuple[Array, float]:
    """Homography from board metres to straight pixels, and the mean side of a square in pixels."""
    pose = camera.cam_from_world @ court_from_board
    H = camera.K_px @ np.column_stack([pose.R[:, 0], pose.R[:, 1], pose.t_m])
    return H, float(camera.K_px[0, 0] * square_m / pose.t_m[2])


def _board_from_texel(picture: BoardPicture, k: int) -> Array:
    """Texel centres (integers) to board metres; the texture's margin is a whole number of texels."""
    texel = _TEXEL_PER_SQUARE[k]
    s = picture.board.square_mm / 1000 / texel
    low = -(texel + _margin_texels(picture.board, texel)) * s
    return np.array([[s, 0, low + 0.5 * s], [0, s, low + 0.5 * s], [0, 0, 1]])


def _margin_texels(board: Board, texel: int) -> int:
    return round(board.margin_mm / board.square_mm * texel)


@dataclass(frozen=True, slots=True, eq=False)
class Holds:
    """Poses at which the board rests, and when: still from arrive_s to leave_s, moved smoothly in between."""

    poses: tuple[Rigid, ...]
    arrive_s: Array
    leave_s: Array

    def at(self, t_s: float) -> Rigid:
        """court_from_board at an instant."""
        k = int(np.clip(np.searchsorted(self.arrive_s, t_s, side="right") - 1, 0, len(self.poses) - 1))
        if t_s <= self.leave_s[k] or k + 1 == len(self.poses):
            return self.poses[k]
        s = (t_s - self.leave_s[k]) / (self.arrive_s[k + 1] - self.leave_s[k])
        s = s**3 * (10 - 15 * s + 6 * s * s)  # rest, smooth motion, rest
        a, b = self.poses[k], self.poses[k + 1]
        step = (a.inverse() @ Rigid(b.R, b.t_m, b.dst, a.src)).rotvec_rad()
        R = a.R @ turn(step + 1e-15, np.array(s * np.linalg.norm(step)))
        middle = (1 - s) * a.t_m + s * b.t_m
        return Rigid(R, middle, a.dst, a.src)


def facing_pose(picture: BoardPicture, centre: Array, towards: Array, tilt_deg: Array) -> Rigid:
    """A board centred at a court point, its face towards another, then tilted (about its x, y and normal)."""
    z = (centre - towards) / np.linalg.norm(centre - towards)  # into the board, away from the viewer
    x = np.cross(z, [0.0, 0.0, -1.0])
    x = -x / np.linalg.norm(x)
    x = -x if np.cross(z, x)[2] > 0 else x
    base = np.column_stack([x, np.cross(z, x), z])
    a = np.radians(tilt_deg)
    R = base @ turn(np.eye(3)[0], a[0]) @ turn(np.eye(3)[1], a[1]) @ turn(np.eye(3)[2], a[2])
    return Rigid(R, centre - R @ picture.centre_m(), "court", "board")


def lens_path(picture: BoardPicture, camera: Camera, rng: np.random.Generator) -> Holds:
    """A sweep before one camera: the whole board in view, driven into all regions, near and far, tilted."""
    size = np.array(camera.size_px)
    targets = [(x, y) for y in (0.05, 0.5, 0.95) for x in (0.05, 0.35, 0.65, 0.95)]
    order = [0, 5, 2, 7, 10, 9, 4, 1, 6, 3, 11, 8] * 2
    poses: list[Rigid] = []
    for index, which in enumerate(order):
        target = np.array(targets[which]) - 0.5
        corner = bool(np.all(np.abs(target) > 0.3))
        depth = (
            rng.uniform(1.7, 2.3) if corner else rng.uniform(1.30, 1.65) if index % 3 else rng.uniform(1.9, 2.6)
        )
        tilt = rng.uniform([-32, -32, -25], [32, 32, 25]) * (0.8, 0.8, 0.25 if corner else 1.0)
        share = np.ones(2)
        while True:  # as near to that edge as lets the whole board be seen
            uv = (0.5 + target * share) * size
            centre = camera.centre_m() + camera.rays(uv) * depth
            pose = facing_pose(picture, centre, camera.centre_m(), tilt)
            seen = camera.project(_edge_points(pose.apply(picture.outline_m())))
            outside = ~np.all((seen > 4) & (seen < size - 5), axis=0)
            if not outside.any():
                break
            share = share - 0.04 * outside
            if np.any(share < 0):
                share, depth = np.maximum(share, 0.0), depth * 1.05
        poses.append(pose)
    n = len(poses)
    arrive = np.arange(n) * 0.52
    return Holds(tuple(poses), arrive, arrive + 0.10)


def shared_path(picture: BoardPicture, cameras: list[Camera], count: int, rng: np.random.Generator) -> Holds:
    """Rests around the player's place, 0.5 s each, seen by all the cameras of the set from the front."""
    mean = np.mean([c.centre_m() for c in cameras], axis=0)
    places = [
        (x, y, z)
        for z in (0.62, 1.3, 1.95)
        for x, y in ((-0.8, -0.7), (0.8, -0.6), (0.0, -0.1), (-0.7, 0.5), (0.8, 0.5))
    ]
    poses: list[Rigid] = []
    while len(poses) < count:
        centre = np.array(places[len(poses) % len(places)]) + rng.uniform(-0.25, 0.25, 3) * (1, 1, 0.5)
        pose = facing_pose(picture, centre, mean, rng.uniform([-25, -22, -30], [25, 22, 30]))
        corners = pose.apply(_edge_points(picture.outline_m()))
        visible = all(
            np.all(c.project(corners) > 3) and np.all(c.project(corners) < np.array(c.size_px) - 4)
            and -(c.centre_m() - centre) @ pose.R[:, 2] > 0.62 * np.linalg.norm(c.centre_m() - centre)
            for c in cameras
        )  # fmt: skip
        if visible and corners[:, 2].min() > 0.08:
            poses.append(pose)
    hold, move = rng.uniform(0.48, 0.62, count), rng.uniform(0.35, 0.60, count)
    arrive = 0.6 + np.concatenate([[0.0], np.cumsum(hold + move)[:-1]])
    return Holds(tuple(poses), arrive, arrive + hold)
