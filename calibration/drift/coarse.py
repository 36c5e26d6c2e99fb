"""A first guess of a camera's turn from matched features, for moves of more than a few pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calibration.checks import Array
from calibration.drift.shifts import STILL, no_motion
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid

_FEATURES = 1500
_RATIO = 0.8  # best against second-best match (Lowe D (2004), Int J Comput Vis 60:91)
_PAIRS = 200
_NEAR_RAD = 0.004  # 4 px at f = 1000 px; parallax of a small shift stays within it
_LEAST = 12


def coarse_motion(camera: Camera, reference: NDArray[np.uint8], new: NDArray[np.uint8]) -> tuple[Rigid, int]:
    """The turn (no shift) that most features agree on, and how many do; no motion where too few agree.

    Pairs of matches are tried in a fixed pseudo-random order: same pictures, same result.
    """
    rays = _matched_rays(camera, reference, new)
    still = no_motion(camera)
    if len(rays[0]) < _LEAST:
        return still, 0
    rng = np.random.default_rng(0)
    best = np.zeros(len(rays[0]), dtype=bool)
    turn = np.eye(3)
    for _ in range(_PAIRS):
        pick = rng.choice(len(rays[0]), 2, replace=False)
        candidate = _turn(rays[0][pick], rays[1][pick])
        near = np.linalg.norm(rays[1] - rays[0] @ candidate.T, axis=1) < _NEAR_RAD
        if near.sum() > best.sum():
            best, turn = near, candidate
    if best.sum() < _LEAST:
        return still, int(best.sum())
    turn = _turn(rays[0][best], rays[1][best])
    return Rigid(turn, np.zeros(3), f"cam_{camera.name}", STILL), int(best.sum())


def _turn(a: Array, b: Array) -> Array:
    """The rotation that takes directions a (N, 3) to b, least squares."""
    u, _, vt = np.linalg.svd(b.T @ a)
    return np.asarray(u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt)


def _matched_rays(camera: Camera, reference: NDArray[np.uint8], new: NDArray[np.uint8]) -> tuple[Array, Array]:
    """Directions (N, 3) in the camera's frame of features found in both pictures."""
    finder = cv2.ORB.create(_FEATURES)
    points, words = [], []
    for picture in (reference, new):
        grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
        keypoints, descriptors = finder.detectAndCompute(grey, None)
        points.append(np.array([k.pt for k in keypoints], dtype=float).reshape(-1, 2))
        words.append(descriptors)
    empty = np.zeros((0, 3))
    if any(w is None or len(w) < _LEAST for w in words):
        return empty, empty
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING).knnMatch(words[0], words[1], k=2)
    kept = [
        (m[0].queryIdx, m[0].trainIdx) for m in pairs if len(m) == 2 and m[0].distance < _RATIO * m[1].distance
    ]
    if not kept:
        return empty, empty
    at = np.array(kept)
    rays = []
    for side in (0, 1):
        n = camera.normalised(points[side][at[:, side]])
        d = np.concatenate([n, np.ones((len(n), 1))], axis=1)
        rays.append(d / np.linalg.norm(d, axis=1, keepdims=True))
    ok = np.isfinite(rays[0]).all(axis=1) & np.isfinite(rays[1]).all(axis=1)
    return rays[0][ok], rays[1][ok]


def turn_deg(motion: Rigid) -> float:
    """Size of a motion's turn, degrees."""
    return float(np.degrees(Rotation.from_matrix(motion.R).magnitude()))
