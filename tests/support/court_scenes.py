"""A light renderer of an invented court: textured ground with painted lines, fences and trees, and what changes
in a day.

Grey values along the camera's own rays, 2 x 2 per pixel. The rays' directions depend on the lens only, so a
moved camera costs a fraction of a second.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.bundle import moved
from calibration.checks import Array
from calibration.court.model import PAINTED_LINES
from calibration.geometry import Camera, Rigid

_STEP = 2
_X0_M, _Y0_M, _CELL_M = -14.0, -10.0, 0.01  # the ground's map: 28 m wide, 45 m long, 1 cm cells
_MAP_SIZE = (4500, 2800)
FENCE_Y_M, FENCE_X_M, FENCE_H_M = 30.0, 10.5, 3.0


@dataclass(frozen=True, kw_only=True)
class Day:
    """What differs between two pictures of a court that nobody touched.

    gain, gamma  exposure; slope: how the light falls off across the picture
    shadows      soft-edged shadows on the ground, thrown anew each time
    player       whether a player, and some balls, stand in the picture
    noise        grey levels of 255; quality: JPEG, None for a picture as the sensor gave it
    """

    gain: float = 1.0
    gamma: float = 1.0
    slope: float = 0.0
    shadows: int = 2
    player: bool = True
    noise: float = 2.0
    quality: int | None = 80


def some_day(rng: np.random.Generator) -> Day:
    """An invented day."""
    return Day(
        gain=rng.uniform(0.7, 1.2), gamma=rng.uniform(0.85, 1.15), slope=rng.uniform(-0.15, 0.15),
        shadows=int(rng.integers(0, 4)), player=bool(rng.random() < 0.8), noise=rng.uniform(1.0, 4.0),
        quality=int(rng.integers(65, 95)),
    )  # fmt: skip


class Scene:
    """One invented court, seen by cameras of one lens."""

    def __init__(self, lens: Camera, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self._size = lens.size_px
        width, height = lens.size_px
        part = (np.arange(_STEP) + 0.5) / _STEP - 0.5
        u = (np.arange(width)[:, None] + part).ravel()
        v = (np.arange(height)[:, None] + part).ravel()
        n = lens.normalised(np.stack(np.meshgrid(u, v), axis=-1))
        self._rays = np.concatenate([n, np.ones((*n.shape[:2], 1))], axis=-1).astype(np.float32)
        self._ground = _ground(rng)
        self._cloth = _texture((400, 5000), (3, 12, 40), rng) * 40 + 70
        self._cloth[:, ::300] = 150  # posts
        self._trees = _texture((600, 4000), (4, 9, 30), rng) * 80 + 40
        self._trees[:200] = 215  # above the trees the sky, which shows nothing to hold on to

    def seen_by(self, camera: Camera, day: Day, rng: np.random.Generator) -> np.ndarray:
        """The picture (H, W, 3) uint8 that the camera takes on that day."""
        c, R = camera.centre_m().astype(np.float32), camera.cam_from_world.R.astype(np.float32)
        d = self._rays @ R
        with np.errstate(divide="ignore", invalid="ignore"):
            grey = _looked_up(self._trees, np.arctan2(d[..., 0], d[..., 1]) * 900 + 2000,
                              300 - 900 * d[..., 2] / np.hypot(d[..., 0], d[..., 1]))  # fmt: skip
            for axis, at in ((1, FENCE_Y_M), (0, -FENCE_X_M), (0, FENCE_X_M)):
                s = (at - c[axis]) / d[..., axis]
                z, along = c[2] + s * d[..., 2], c[1 - axis] + s * d[..., 1 - axis]
                inside = (s > 0) & (z > 0) & (z < FENCE_H_M)
                inside &= (np.abs(along) < FENCE_X_M) if axis == 1 else (along < FENCE_Y_M)
                grey = np.where(inside, _looked_up(self._cloth, along * 100 + 1500, z * 100), grey)
            s = np.where(d[..., 2] < -1e-6, -c[2] / d[..., 2], np.nan)
            x, y = (c[0] + s * d[..., 0] - _X0_M) / _CELL_M, (c[1] + s * d[..., 1] - _Y0_M) / _CELL_M
            hit = (
                np.isfinite(s) & (c[1] + s * d[..., 1] < FENCE_Y_M) & (np.abs(c[0] + s * d[..., 0]) < FENCE_X_M)
            )
            ground = self._ground * _shade(day.shadows, rng)
            grey = np.where(hit, _looked_up(ground, np.nan_to_num(x), np.nan_to_num(y)), grey)
        width, height = self._size
        picture = grey.reshape(height, _STEP, width, _STEP).mean(axis=(1, 3))
        return _photographed(_with_player(picture, camera, rng) if day.player else picture, day, rng)


def _looked_up(texture: Array, x: Array, y: Array) -> Array:
    return cv2.remap(
        texture.astype(np.float32), x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )  # fmt: skip


def _texture(shape: tuple[int, int], grains: tuple[int, ...], rng: np.random.Generator) -> Array:
    """Smooth noise of several grain sizes (cells), about 0.2 wide around 0.5."""
    out = np.zeros(shape, dtype=np.float32)
    for grain in grains:
        small = rng.normal(0, 1, (shape[0] // grain + 2, shape[1] // grain + 2)).astype(np.float32)
        out += cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return 0.5 + 0.2 * out / out.std()


def _ground(rng: np.random.Generator) -> Array:
    fine = _texture(_MAP_SIZE, (4, 15, 80), rng)
    out = 95 + 26 * (fine - 0.5)
    paint = np.zeros(_MAP_SIZE, dtype=np.float32)
    for line in PAINTED_LINES:
        x0, x1 = (round((x - _X0_M) / _CELL_M) for x in (line.x0_m, line.x1_m))
        y0, y1 = (round((y - _Y0_M) / _CELL_M) for y in (line.y0_m, line.y1_m))
        paint[y0:y1, x0:x1] = 1
    return out * (1 - paint) + (225 + 12 * (fine - 0.5)) * paint


def _shade(count: int, rng: np.random.Generator) -> Array:
    """(rows, columns) of the ground's map: 1 in the sun, down to 0.55 in a shadow."""
    small = np.ones((_MAP_SIZE[0] // 10, _MAP_SIZE[1] // 10), dtype=np.float32)
    for _ in range(count):
        middle = rng.uniform((40, 60), (240, 400))
        corners = middle + rng.normal(0, 1, (6, 2)) * rng.uniform(10, 60)
        hull = cv2.convexHull(corners.astype(np.int32))
        cv2.fillPoly(small, [hull], float(rng.uniform(0.55, 0.8)))
    small = cv2.GaussianBlur(small, (0, 0), float(rng.uniform(0.7, 3)))
    return cv2.resize(small, _MAP_SIZE[::-1], interpolation=cv2.INTER_LINEAR)


def _with_player(picture: Array, camera: Camera, rng: np.random.Generator) -> Array:
    """A striped figure of 1.8 m near the baseline, with a long soft shadow beside it, and five balls."""
    out = picture.copy()
    foot = np.array([rng.uniform(-2, 2), rng.uniform(-0.8, 0.6), 0.0])
    low, high = camera.project(foot), camera.project(foot + [0, 0, 1.8])
    tall = float(np.linalg.norm(high - low))
    for _ in range(14):
        at = low + (high - low) * rng.random() + rng.normal(0, 0.06 * tall, 2)
        axes = (int(0.03 * tall + rng.random() * 0.1 * tall), int(0.08 * tall))
        cv2.ellipse(out, tuple(int(a) for a in at), axes, float(rng.uniform(0, 180)), 0, 360,
                    float(rng.uniform(20, 230)), -1, cv2.LINE_AA)  # fmt: skip
    for _ in range(5):
        ball = camera.project(np.array([rng.uniform(-4, 4), rng.uniform(-1, 10), 0.03]))
        cv2.circle(out, tuple(int(a) for a in np.clip(ball, -50, 5000)), 4, 235.0, -1, cv2.LINE_AA)
    return out


def _photographed(picture: Array, day: Day, rng: np.random.Generator) -> np.ndarray:
    width = picture.shape[1]
    across = 1 + day.slope * (np.arange(width) / width - 0.5)
    out = 255 * (np.clip(picture / 255 * day.gain * across, 0, 1.0) ** day.gamma)
    out = out + rng.normal(0, day.noise, out.shape)
    image = np.repeat(np.clip(out, 0, 255).round().astype(np.uint8)[..., None], 3, axis=2)
    if day.quality is None:
        return image
    _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, day.quality])
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)


def scaled_camera(camera: Camera, part: float) -> Camera:
    """The same camera with a picture of `part` times the width and height."""
    K = camera.K_px.copy()
    K[0, 0], K[1, 1] = K[0, 0] * part, K[1, 1] * part
    K[:2, 2] = (K[:2, 2] + 0.5) * part - 0.5
    size = (round(camera.size_px[0] * part), round(camera.size_px[1] * part))
    return Camera(camera.name, size, K, camera.distortion, camera.cam_from_world, camera.model)


def nudged_camera(camera: Camera, turn_rad: Array, shift_m: Array) -> Camera:
    """The camera turned in its own axes about its optical centre, which moved by shift_m in the court."""
    turn = Rigid.from_rotvec(turn_rad, np.zeros(3), "a", "b").R
    R = turn @ camera.cam_from_world.R
    pose = camera.cam_from_world
    return camera.placed(Rigid(R, -R @ (camera.centre_m() + shift_m), pose.dst, pose.src))


def some_direction(rng: np.random.Generator) -> Array:
    """A unit vector (3,), all directions alike."""
    v = rng.normal(0, 1, 3)
    return np.asarray(v / np.linalg.norm(v))


CALIBRATION_U = np.array(
    [0.3, 0.3, 0.15, 0.15, 5e-4, 1e-3, 3e-5, 3e-5, 5e-4, 0, 0, 0, *[1e-4] * 3, *[0.0015] * 3]
)
"""Standard uncertainties of an invented calibration, in the order of PARAMETERS: 3 mm at the player, no
more, so that what re-registering adds shows."""


def registered(camera: Camera, rng: np.random.Generator) -> tuple[Camera, Array]:
    """A camera as a calibration would have it, off the truth by its covariance (18, 18)."""
    return moved(camera, CALIBRATION_U * rng.normal(0, 1, len(CALIBRATION_U))), np.diag(CALIBRATION_U**2)
