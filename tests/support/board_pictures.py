"""Small synthetic footage: a calibration board seen by a camera with a real lens, traced pixel by pixel.

Independent of the code under test as far as it can be: the lens model is written out again and inverted by
another method, the board is coloured by a formula, and the pictures are averaged over sub-pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board import DICTIONARIES, Board
from calibration.checks import Array
from calibration.geometry import Camera, Rigid

SUB = 2  # sub-pixels along each side


@lru_cache(maxsize=8)
def _ray_grid(size_px: tuple[int, int], lens: tuple[float, ...]) -> Array:
    width, height = size_px
    fx, fy, cx, cy = lens[:4]
    step = (np.arange(SUB) + 0.5) / SUB - 0.5
    u = (np.arange(width)[:, None] + step).ravel()
    v = (np.arange(height)[:, None] + step).ravel()
    uv = np.stack(np.meshgrid(u, v), axis=-1)
    k1, k2, p1, p2, k3 = lens[4:]
    bent = (uv - [cx, cy]) / [fx, fy]
    n = bent
    for _ in range(15):  # fixed point: each step shrinks the error about tenfold for the mild lenses used here
        x, y = n[..., 0], n[..., 1]
        r2 = (n**2).sum(axis=-1)
        shift = np.stack(
            [2 * p1 * x * y + p2 * (r2 + 2 * x * x), p1 * (r2 + 2 * y * y) + 2 * p2 * x * y], axis=-1
        )
        n = (bent - shift) / (1 + r2 * (k1 + r2 * (k2 + r2 * k3)))[..., None]
    return n


Light = Callable[[Array, Array], Array]
"""Reflectance at board coordinates x, y, both in squares from the first inner corner."""


def checkerboard_light(columns: int, rows: int) -> Light:
    """A checkerboard's colours, with a light rim of 0.7 square; NaN beyond it."""

    def light(x: Array, y: Array) -> Array:
        x, y = x + 1, y + 1
        out = np.where((np.floor(x) + np.floor(y)) % 2 == 0, 0.08, 0.9)
        return _with_rim(out, x, y, columns + 1, rows + 1)

    return light


def charuco_light(board: Board, fine: int = 60) -> Light:
    """A ChArUco board's colours as OpenCV's own generator draws them, `fine` cells per square."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARIES[str(board.dictionary)])
    squares = (board.columns + 1, board.rows + 1)
    marker = round((board.marker_m or 0.0) / board.square_m * fine) / fine
    drawn = cv2.aruco.CharucoBoard(squares, 1.0, marker, dictionary)
    cells = drawn.generateImage((squares[0] * fine, squares[1] * fine), marginSize=0)

    def light(x: Array, y: Array) -> Array:
        x, y = x + 1, y + 1
        i = np.clip(np.floor(y * fine), 0, cells.shape[0] - 1).astype(int)
        j = np.clip(np.floor(x * fine), 0, cells.shape[1] - 1).astype(int)
        return _with_rim(np.where(cells[i, j] < 128, 0.08, 0.9), x, y, *squares)

    return light


def _with_rim(light: Array, x: Array, y: Array, width: int, height: int) -> Array:
    rim = (x < 0) | (x > width) | (y < 0) | (y > height)
    beyond = (x < -0.7) | (x > width + 0.7) | (y < -0.7) | (y > height + 0.7)
    return np.where(beyond, np.nan, np.where(rim, 0.9, light))


def pattern_picture(
    camera: Camera, world_from_board: Rigid, light: Light, square_m: float, *, background: float = 0.45
) -> NDArray[np.uint8]:
    """(H, W) grey picture of a flat pattern whose first inner corner is at its frame's origin."""
    k = camera.K_px
    lens = (k[0, 0], k[1, 1], k[0, 2], k[1, 2], *camera.distortion)
    n = _ray_grid(camera.size_px, tuple(float(x) for x in lens))
    pose = camera.cam_from_world @ world_from_board
    h = np.linalg.inv(np.stack([pose.R[:, 0], pose.R[:, 1], pose.t_m], axis=1))
    w = n[..., 0] * h[2, 0] + n[..., 1] * h[2, 1] + h[2, 2]
    x = (n[..., 0] * h[0, 0] + n[..., 1] * h[0, 1] + h[0, 2]) / w / square_m
    y = (n[..., 0] * h[1, 0] + n[..., 1] * h[1, 1] + h[1, 2]) / w / square_m
    seen = light(x, y)
    seen = np.where(np.isnan(seen) | (w <= 0), background, seen)
    height, width = camera.size_px[1], camera.size_px[0]
    grey = seen.reshape(height, SUB, width, SUB).mean(axis=(1, 3))
    return np.asarray(np.clip(np.rint(grey * 255), 0, 255), dtype=np.uint8)


def board_picture(
    camera: Camera,
    world_from_board: Rigid,
    columns: int,
    rows: int,
    square_m: float,
    *,
    background: float = 0.45,
) -> NDArray[np.uint8]:
    """(H, W) grey picture of a checkerboard (columns x rows inner corners, the first one at its origin)."""
    light = checkerboard_light(columns, rows)
    return pattern_picture(camera, world_from_board, light, square_m, background=background)


def noisy(picture: NDArray[np.uint8], rng: np.random.Generator, sigma: float = 2.0) -> NDArray[np.uint8]:
    """Sensor noise added."""
    out = picture + rng.normal(0, sigma, picture.shape)
    return np.asarray(np.clip(np.rint(out), 0, 255), dtype=np.uint8)


def write_video(
    path: Path,
    pictures: Iterable[NDArray[np.uint8]],
    fps: int,
    *,
    quality: str = "16",
    turn_degrees: int | None = None,
) -> None:
    """H.264 in MP4 from grey (H, W) or BGR (H, W, 3) pictures."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with av.open(str(path), mode="w") as out:
        stream = None
        for picture in pictures:
            if stream is None:
                stream = out.add_stream("libx264", rate=fps, options={"crf": quality, "preset": "ultrafast"})
                stream.width, stream.height, stream.pix_fmt = picture.shape[1], picture.shape[0], "yuv420p"
                if turn_degrees is not None:
                    stream.set_display_rotation(turn_degrees)
            kind = "gray" if picture.ndim == 2 else "bgr24"
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format=kind)):
                out.mux(packet)
        if stream is not None:
            for packet in stream.encode():
                out.mux(packet)


def make_camera(
    name: str, size_px: tuple[int, int], focal_px: float, cam_from_world: Rigid | None = None
) -> Camera:
    """A camera with a believable lens, its centre a little off the middle."""
    width, height = size_px
    K = np.array([[focal_px, 0, width / 2 + 3.3], [0, focal_px * 1.002, height / 2 - 4.1], [0, 0, 1]])
    lens = np.array([-0.14, 0.06, 0.0006, -0.0004, 0.0])
    return Camera(name, size_px, K, lens, cam_from_world or Rigid.identity(f"cam_{name}", "rig"))
