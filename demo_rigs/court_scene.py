"""The empty court as a camera sees it: every sub-pixel's ray meets ground, net, fence, trees or sky.

Casting the camera model's own rays puts each line where Camera.project puts it, with the lens's distortion.
Lines and net come from calibration.court.model, so picture and clickable points share one source.
"""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from calibration.court.model import (
    NET_HEIGHT_CENTRE_M,
    NET_HEIGHT_POST_M,
    NET_POST_OUTSIDE_M,
    NET_Y_M,
    PAINTED_LINES,
)
from calibration.geometry import Camera

_BLUE, _GREEN, _WHITE = (0.20, 0.36, 0.60), (0.24, 0.43, 0.30), (0.93, 0.94, 0.93)
_FENCE_BACK_Y, _FENCE_X, _FENCE_H = 30.5, 10.2, 3.0


def background(camera: Camera, seed: int, step: int = 3) -> Array:
    """The empty court (H, W, 3), red green blue in [0, 1], averaged over step × step rays per pixel."""
    width, height = camera.size_px
    offsets = (np.arange(step) + 0.5) / step - 0.5
    out = np.zeros((height, width, 3), dtype=np.float32)
    u = np.arange(width)
    for dv in offsets:
        for du in offsets:
            for top in range(0, height, 120):
                v = np.arange(top, min(top + 120, height)) + dv
                grid = np.stack(np.meshgrid(u + du, v), axis=-1)
                out[top : top + 120] += _seen(camera.centre_m(), camera.rays(grid), seed).astype(np.float32)
    return out / step**2


def ground_points(camera: Camera) -> Array:
    """Where the rays of all pixel centres meet the ground (H, W, 2), NaN above the horizon."""
    width, height = camera.size_px
    grid = np.stack(np.meshgrid(np.arange(width), np.arange(height)), axis=-1)
    rays, c = camera.rays(grid), camera.centre_m()
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.where(rays[..., 2] < -1e-6, -c[2] / rays[..., 2], np.nan)
    return (c[:2] + s[..., None] * rays[..., :2]).astype(np.float32)


def _seen(c: Array, rays: Array, seed: int) -> Array:
    """Colour (..., 3) along rays from c: far things first, nearer ones over them."""
    with np.errstate(divide="ignore", invalid="ignore"):
        colour = _sky(rays, seed)
        s = -c[2] / rays[..., 2]
        on_ground = s > 0
        hit = c + s[..., None] * rays
        colour = np.where(on_ground[..., None], _ground(hit[..., 0], hit[..., 1], seed), colour)
        for axis, at in ((1, _FENCE_BACK_Y), (0, -_FENCE_X), (0, _FENCE_X)):
            s = (at - c[axis]) / rays[..., axis]
            p = c + s[..., None] * rays
            other = p[..., 1 - axis]
            inside = (s > 0) & (p[..., 2] > 0) & (p[..., 2] < _FENCE_H)
            inside &= (np.abs(other) < _FENCE_X) if axis == 1 else (np.abs(other - 11) < 19.5)
            colour = np.where(inside[..., None], _fence(other, p[..., 2], colour, seed), colour)
        s = (NET_Y_M - c[1]) / rays[..., 1]
        p = c + s[..., None] * rays
        colour = _net(p, s > 0, colour)
    return colour


def _ground(x: Array, y: Array, seed: int) -> Array:
    inside = (np.abs(x) < 6.6) & (y > -3.2) & (y < 26.6)
    base = np.where(inside[..., None], _BLUE, _GREEN)
    grain = 0.5 * _noise(x / 0.06, y / 0.06, seed) + 0.5 * _noise(x / 0.9, y / 0.9, seed + 1)
    base = base * (0.95 + 0.10 * grain[..., None])
    return np.where(_on_line(x, y)[..., None], np.array(_WHITE) * (0.97 + 0.03 * grain[..., None]), base)


def _on_line(x: Array, y: Array) -> Array:
    """True on the paint."""
    out = np.zeros(x.shape, dtype=bool)
    for line in PAINTED_LINES:
        out |= (x >= line.x0_m) & (x <= line.x1_m) & (y >= line.y0_m) & (y <= line.y1_m)
    return out


def _net(p: Array, ahead: Array, behind: Array) -> Array:
    x, z = p[..., 0], p[..., 2]
    half = 5.485 + NET_POST_OUTSIDE_M
    top = NET_HEIGHT_CENTRE_M + (NET_HEIGHT_POST_M - NET_HEIGHT_CENTRE_M) * (np.abs(x) / half) ** 1.3
    inside = ahead & (np.abs(x) <= half) & (z >= 0) & (z <= top)
    # the cords are far thinner than a pixel: they darken what is behind them evenly
    colour = np.where(inside[..., None], 0.78 * behind + 0.22 * np.array((0.08, 0.09, 0.10)), behind)
    band = inside & (z > top - 0.06)
    strap = inside & (np.abs(x) < 0.025)
    colour = np.where((band | strap)[..., None], _WHITE, colour)
    post = ahead & (np.abs(np.abs(x) - half) < 0.04) & (z >= 0) & (z <= 1.09)
    return np.where(post[..., None], (0.16, 0.24, 0.20), colour)


def _fence(along: Array, z: Array, behind: Array, seed: int) -> Array:
    """Dark windscreen cloth to 2 m, wire above, a post every 3 m."""
    cloth = np.array((0.10, 0.20, 0.17)) * (0.9 + 0.2 * _noise(along / 1.3, z / 2.0, seed + 2)[..., None])
    wire = 0.85 * behind + 0.15 * np.array((0.25, 0.28, 0.27))
    post = (np.abs((along / 3.0) % 1 - 0.5) < 0.012) | (z > _FENCE_H - 0.05)
    out = np.where((z < 2.0)[..., None], cloth, wire)
    return np.where(post[..., None], (0.30, 0.34, 0.33), out)


def _sky(rays: Array, seed: int) -> Array:
    """A pale gradient with a row of trees that stands beyond the fences."""
    up = rays[..., 2] / np.linalg.norm(rays[..., :2], axis=-1)
    sky = np.array((0.80, 0.87, 0.93)) - np.clip(up, 0, 1)[..., None] * np.array((0.42, 0.30, 0.12))
    azimuth = np.arctan2(rays[..., 0], rays[..., 1])
    crown = (
        0.085
        + 0.05 * _noise(azimuth * 7, 0 * azimuth, seed + 3)
        + 0.03 * _noise(azimuth * 31, up * 9, seed + 4)
    )
    leaves = _noise(azimuth * 160, up * 190, seed + 5) * 0.4 + _noise(azimuth * 40, up * 45, seed + 6) * 0.6
    trees = np.array((0.20, 0.30, 0.17)) * (0.65 + 0.75 * leaves[..., None])
    return np.where((up < crown)[..., None], trees, sky)


def _noise(x: Array, y: Array, seed: int) -> Array:
    """Smooth value noise in [0, 1]: random values on the integer grid, blended with a cubic step."""
    ix, iy = np.floor(x), np.floor(y)
    fx, fy = x - ix, y - iy
    fx, fy = fx * fx * (3 - 2 * fx), fy * fy * (3 - 2 * fy)
    table = np.random.default_rng(seed).random((256, 256))
    jx = np.nan_to_num(ix, posinf=0, neginf=0).astype(np.int64) % 256
    jy = np.nan_to_num(iy, posinf=0, neginf=0).astype(np.int64) % 256
    kx, ky = (jx + 1) % 256, (jy + 1) % 256
    low = table[jx, jy] * (1 - fx) + table[kx, jy] * fx
    high = table[jx, ky] * (1 - fx) + table[kx, ky] * fx
    return np.asarray(low * (1 - fy) + high * fy)
