"""Straight bright lines anywhere in a picture, as lines in undistorted camera coordinates."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.checks import Array
from calibration.court.ruled_lines import Flags
from calibration.geometry.camera import Camera

_SIGMAS_PX = (1.5, 4.0)  # ridges of paint 2 to 15 px wide
_LEAST_RIDGE = 0.012  # of white; grain and leaves stay mostly below
_MOST_POINTS = 12000  # strongest kept, per sigma
_MOST_LINES = 16  # the court shows a camera at most 9 of its own
_TOLERANCE_PX = 2.5
_TURN_RAD = 0.15  # a ridge point's own direction against its line's
_ANGLES = 360
_FAR = 1000  # cells from the picture's middle, five pixels each
_LEAST_POINTS = 40


@dataclass(frozen=True, slots=True, eq=False)
class BrightLines:
    """Straight bright lines of one picture.

    line    (M, 3) unit plane normals in the camera's frame: the camera's centre and the line span a plane
    ray     (M, 3) unit direction in the camera's frame to the middle of the points on it
    weight  (M,) length in pixels covered by points
    """

    line: Array
    ray: Array
    weight: Array


def bright_lines(camera: Camera, white: Array) -> BrightLines:
    """The longest straight bright lines (at most 16), longest first."""
    uv, direction = _ridge_points(white)
    if len(uv) < _LEAST_POINTS:
        return BrightLines(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0))
    n = camera.normalised(uv)
    ahead = camera.normalised(uv + 0.5 * direction) - n
    keep = np.isfinite(n).all(axis=1) & np.isfinite(ahead).all(axis=1)
    n, ahead = n[keep], ahead[keep]
    angle = np.arctan2(-ahead[:, 0], ahead[:, 1])  # of the normal to the ridge
    focal = float(camera.K_px[0, 0])
    found: list[tuple[Array, Array, float]] = []
    left = np.ones(len(n), dtype=bool)
    for _ in range(3 * _MOST_LINES):
        if left.sum() < _LEAST_POINTS or len(found) >= _MOST_LINES:
            break
        on, line = _best_line(n, angle, left, focal)
        left &= ~on
        if on.sum() < _LEAST_POINTS:
            break
        covered = len(np.unique(np.floor(n[on] @ np.array([-line[1], line[0]]) * focal)))
        ray = np.append(n[on].mean(axis=0), 1.0)
        found.append((line / np.linalg.norm(line), ray / np.linalg.norm(ray), float(covered)))
    found.sort(key=lambda f: -f[2])
    return BrightLines(
        *(np.array([f[k] for f in found]).reshape(len(found), *s) for k, s in enumerate(((3,), (3,), ())))
    )


def _best_line(n: Array, angle: Array, left: Flags, focal: float) -> tuple[Flags, Array]:
    """Points (mask) on the line that most points vote for, and the line (a, b, c) with a² + b² = 1.

    Each ridge point knows its direction, so it votes for few angles (Ballard DH (1981), Pattern Recognit
    13:111-122). The winner is refitted to its points twice.
    """
    cell = 2 * _TOLERANCE_PX / focal
    at = np.floor(np.mod(angle[left], np.pi) / np.pi * _ANGLES).astype(int)[:, None] + np.arange(-3, 4)
    at = np.mod(at, _ANGLES)
    turn = (at + 0.5) * np.pi / _ANGLES
    rho = n[left, :1] * np.cos(turn) + n[left, 1:] * np.sin(turn)
    row = np.clip(np.round(rho / cell).astype(np.int64), -_FAR, _FAR) + _FAR
    best = int(np.argmax(np.bincount((row * _ANGLES + at).ravel())))
    t, distance = (best % _ANGLES + 0.5) * np.pi / _ANGLES, (best // _ANGLES - _FAR) * cell
    line = np.array([np.cos(t), np.sin(t), -distance])
    on = left
    for reach in (3.0, 1.5, 1.0):
        turn = np.abs(np.mod(angle - np.arctan2(line[1], line[0]) + np.pi / 2, np.pi) - np.pi / 2)
        on = left & (np.abs(n @ line[:2] + line[2]) < reach * _TOLERANCE_PX / focal) & (turn < _TURN_RAD)
        if on.sum() < 2:
            return on, line
        middle = n[on].mean(axis=0)
        normal = np.linalg.svd(n[on] - middle, full_matrices=False)[2][-1]
        line = np.append(normal, -normal @ middle)
    return on, line


def _ridge_points(white: Array) -> tuple[Array, Array]:
    """Sub-pixel points (P, 2) on ridges of brightness and the unit directions (P, 2) along them.

    Where the second derivative across is most negative and the first one vanishes inside the pixel (Steger C
    (1998), IEEE Trans Pattern Anal Mach Intell 20:113-125).
    """
    points, along = [], []
    for sigma in _SIGMAS_PX:
        g = cv2.GaussianBlur(white, (0, 0), sigma)
        gx, gy = (cv2.Sobel(g, cv2.CV_64F, a, 1 - a, ksize=3) / 8 for a in (1, 0))
        gxx, gyy = (cv2.Sobel(g, cv2.CV_64F, 2 * a, 2 * (1 - a), ksize=3) / 4 for a in (1, 0))
        gxy = cv2.Sobel(g, cv2.CV_64F, 1, 1, ksize=3) / 4
        half, root = (gxx + gyy) / 2, np.sqrt(((gxx - gyy) / 2) ** 2 + gxy**2)
        across = half - root  # the most negative curvature, along (cos a, sin a)
        a = 0.5 * np.arctan2(-2 * gxy, gyy - gxx)
        c, s = np.cos(a), np.sin(a)
        t = -(gx * c + gy * s) / np.minimum(across, -1e-9)
        strength = -across * sigma**2
        ridge = (strength > _LEAST_RIDGE) & (np.abs(t * c) <= 0.6) & (np.abs(t * s) <= 0.6)
        ridge &= np.abs(half + root) < 0.5 * np.abs(across)  # a line, not a spot
        v, u = np.nonzero(ridge)
        keep = np.argsort(-strength[v, u], kind="stable")[:_MOST_POINTS]
        v, u = v[keep], u[keep]
        points.append(np.stack([u + t[v, u] * c[v, u], v + t[v, u] * s[v, u]], axis=-1))
        along.append(np.stack([-s[v, u], c[v, u]], axis=-1))
    return np.concatenate(points), np.concatenate(along)
