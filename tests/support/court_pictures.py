"""Invented pictures of a court: painted lines of any width and laying error, seen through a lens, with clutter.

Every pixel near paint is averaged over 6 × 6 rays of the camera model, so that edges lie where Camera.project
puts them. All of it is made up; nothing here is a photograph.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np

from calibration.checks import Array
from calibration.court.model import NET_HEIGHT_CENTRE_M, NET_Y_M
from calibration.court.ruled_lines import RULED_LINES, RuledLine
from calibration.geometry import Camera

GROUND, RUN_OFF, WHITE, YELLOW = (0.16, 0.30, 0.50), (0.18, 0.36, 0.24), (0.90, 0.91, 0.90), (0.85, 0.70, 0.10)
_SUB = (np.arange(6) + 0.5) / 6 - 0.5
MARK_M = 0.10


@dataclass(frozen=True)
class Painted:
    """How one line is laid: its two ends off the rules' place (m, along + of the other axis) and its width."""

    start_off_m: float = 0.0
    stop_off_m: float = 0.0
    width_m: float = 0.05


@dataclass(frozen=True)
class Look:
    """What the pictures show besides: all of it invented.

    paint     line name → Painted; others as the rules want them, 5 cm wide (baselines 10 cm)
    worn      share of the paint that is gone, in patches of a decimetre
    other_lines  yellow lines of another sport
    shadow    everything at x > shadow (m) lies in the shade
    hidden    boxes (u0, v0, u1, v1) px per camera that something dark stands in
    blur_px, noise, gain  of the lens, of the sensor (of full scale), and exposure
    tone      exponent of the camera's tone curve; 1 is linear
    empty     no court at all: grass
    """

    paint: Mapping[str, Painted] = field(default_factory=dict)
    worn: float = 0.0
    other_lines: bool = False
    shadow: float | None = None
    hidden: Mapping[str, tuple[tuple[int, int, int, int], ...]] = field(default_factory=dict)
    blur_px: float = 0.6
    noise: float = 0.01
    gain: float = 1.0
    tone: float = 1.0
    empty: bool = False


def court_picture(camera: Camera, look: Look, rng: np.random.Generator) -> Array:
    """(H, W, 3) BGR uint8 of the court as this camera, in the court frame, sees it."""
    n, by_u, by_v = _grid(camera)
    xy, ahead = _ground(camera, n)
    image = _backdrop(camera, rng)
    surface = _surface(xy, look)
    if not look.empty:
        near = ahead & _near_paint(xy)
        sub = (
            n[near][:, None, None]
            + by_u[near][:, None, None] * _SUB[:, None]
            + by_v[near][:, None, None] * _SUB[:, None, None]
        )
        fine, _ = _ground(camera, sub)
        surface[near] = _coloured(fine, look).mean(axis=(1, 2))
    image[ahead] = surface[ahead]
    _net(camera, xy, ahead, image)
    for u0, v0, u1, v1 in look.hidden.get(camera.name, ()):
        image[v0:v1, u0:u1] = (0.12, 0.10, 0.10)
    image = cv2.GaussianBlur(image, (0, 0), look.blur_px) if look.blur_px > 0 else image
    image = np.clip(image * look.gain, 0, 1) ** (1 / look.tone)
    image = image + rng.normal(0, look.noise, image.shape)
    return np.asarray((np.clip(image, 0, 1) * 255).round().astype(np.uint8)[..., ::-1])


@lru_cache(maxsize=8)
def _grid(camera: Camera) -> tuple[Array, Array, Array]:
    """Undistorted coordinates (H, W, 2) of all pixels and their change per pixel to the right and down."""
    w, h = camera.size_px
    n = camera.normalised(np.stack(np.meshgrid(np.arange(w), np.arange(h)), axis=-1).astype(float))
    by_v, by_u = np.gradient(n, axis=(0, 1))
    return n, by_u, by_v


def _ground(camera: Camera, n: Array) -> tuple[Array, Array]:
    """Where undistorted pixels' rays meet the ground (..., 2), and whether they do within 60 m."""
    R, c = camera.cam_from_world.R, camera.centre_m()
    d = n @ R[:2] + R[2]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.where(d[..., 2] < -1e-6, -c[2] / d[..., 2], np.nan)
    xy = c[:2] + s[..., None] * d[..., :2]
    return np.nan_to_num(xy, nan=1e6), np.nan_to_num(s, nan=1e6) < 60


def _near_paint(xy: Array) -> Array:
    """True for pixels whose surroundings may hold paint."""
    step = np.abs(np.stack(np.gradient(xy, axis=(0, 1)))).max(axis=0)
    out = np.zeros(xy.shape[:2], dtype=bool)
    for line in RULED_LINES:
        across, along = xy[..., 1 - line.along], xy[..., line.along]
        reach = 0.15 + 2 * step
        out |= (np.abs(across - line.at_m) < reach[..., 1 - line.along]) & (
            np.abs(along - (line.start_m + line.stop_m) / 2) < line.length_m / 2 + 0.3 + reach[..., line.along]
        )
    out |= (np.abs(xy[..., 0]) < 0.1 + 2 * step[..., 0]) & (np.abs(xy[..., 1]) < 0.4 + 2 * step[..., 1])
    return out


def _coloured(xy: Array, look: Look) -> Array:
    """Colour (..., 3) of the ground with its paint."""
    colour = _surface(xy, look)
    on = np.zeros(xy.shape[:-1], dtype=bool)
    for line in RULED_LINES:
        on |= _on(
            line,
            xy,
            look.paint.get(line.name, Painted(width_m=line.widths_m[1] if "base" in line.name else 0.05)),
        )
    base = look.paint.get("baseline", Painted(width_m=0.10)).width_m
    on |= (np.abs(xy[..., 0]) < 0.025) & (xy[..., 1] > 0) & (xy[..., 1] < base + MARK_M)
    if look.worn:
        on &= _patches(xy) > look.worn
    shade = _shade(xy, look)
    return np.where(on[..., None], np.array(WHITE) * shade, colour)


def _on(line: RuledLine, xy: Array, laid: Painted) -> Array:
    along, across = xy[..., line.along], xy[..., 1 - line.along]
    tau = (along - line.start_m) / line.length_m
    first = line.at_m + laid.start_off_m * (1 - tau) + laid.stop_off_m * tau
    edges = (
        first + line.across_per_width(np.array([0.0]))[0] * laid.width_m,
        first + line.across_per_width(np.array([1.0]))[0] * laid.width_m,
    )
    return (across >= np.minimum(*edges)) & (across <= np.maximum(*edges)) & (tau >= 0) & (tau <= 1)


def _surface(xy: Array, look: Look) -> Array:
    inside = (np.abs(xy[..., 0]) < 6.6) & (xy[..., 1] > -3.0) & (xy[..., 1] < 26.6) & (not look.empty)
    colour = np.where(inside[..., None], np.array(GROUND), np.array(RUN_OFF))
    colour = colour * (0.92 + 0.16 * _patches(xy / 0.7)[..., None])
    if look.other_lines:
        for x in (-3.05, -2.0, 3.05, 4.7):
            strip = (np.abs(xy[..., 0] - x) < 0.025) & (np.abs(xy[..., 1] - 5.0) < 6.7)
            colour = np.where(strip[..., None], np.array(YELLOW), colour)
        for y in (0.9, 3.5, 5.0):
            strip = (np.abs(xy[..., 1] - y) < 0.025) & (np.abs(xy[..., 0]) < 3.05)
            colour = np.where(strip[..., None], np.array(YELLOW), colour)
    return np.asarray(colour * _shade(xy, look))


def _shade(xy: Array, look: Look) -> Array:
    dark = (
        np.zeros(xy.shape[:-1]) if look.shadow is None else (xy[..., 0] + 0.3 * xy[..., 1] > look.shadow) * 1.0
    )
    return np.asarray(1 - 0.5 * dark)[..., None]


_TABLE = np.random.default_rng(5).random((256, 256))


def _patches(xy: Array) -> Array:
    """Value noise in [0, 1], one value per decimetre, unblended."""
    i = np.mod(np.floor(np.clip(xy, -1e6, 1e6) / 0.1).astype(np.int64), 256)
    return np.asarray(_TABLE[i[..., 0], i[..., 1]])


def _backdrop(camera: Camera, rng: np.random.Generator) -> Array:
    """Sky and a hedge: coarse leaves under a pale sky."""
    w, h = camera.size_px
    leaves = cv2.resize(rng.random((h // 8, w // 8)), (w, h), interpolation=cv2.INTER_LINEAR)
    image = np.array((0.20, 0.30, 0.17)) * (0.6 + 0.8 * leaves[..., None])
    image[: h // 6] = (0.70, 0.80, 0.92)
    return image


def _net(camera: Camera, xy: Array, ahead: Array, image: Array) -> None:
    """Cords darken what is behind; the band on top is white."""
    c = camera.centre_m()
    with np.errstate(divide="ignore", invalid="ignore"):
        part = (NET_Y_M - c[1]) / (xy[..., 1] - c[1])
    z, x = c[2] * (1 - part), c[0] + part * (xy[..., 0] - c[0])
    net = ahead & (part > 0) & (part < 1) & (z >= 0) & (z <= NET_HEIGHT_CENTRE_M) & (np.abs(x) < 6.4)
    image[net] = 0.7 * image[net] + 0.3 * np.array((0.08, 0.09, 0.10))
    image[net & (z > NET_HEIGHT_CENTRE_M - 0.06)] = WHITE
