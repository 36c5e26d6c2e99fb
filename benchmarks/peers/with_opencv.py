"""OpenCV's routes from board corners to a rig: each lens alone, then pairs; or all cameras at once.

Both estimate fx fy cx cy k1 k2 p1 p2 (k3 is held at 0, as it is in the invented cameras).
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import NDArray

from benchmarks.judge import Answer
from benchmarks.world import World
from calibration.checks import Array
from calibration.geometry import Camera, Rigid

_NO_K3 = cv2.CALIB_FIX_K3


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """The recording in the types that OpenCV takes; made before the clock starts."""

    world: World
    points: NDArray[np.float32]
    views: tuple[NDArray[np.float32], ...]
    view_of: NDArray[np.int64]

    @classmethod
    def of(cls, world: World) -> Corners:
        """All corners as 32-bit floats."""
        views = tuple(np.ascontiguousarray(uv, dtype=np.float32) for uv in world.uv_px)
        return cls(world, world.points_m.astype(np.float32), views, world.view_of())

    def answer(
        self,
        K: Sequence[MatLike],
        terms: Sequence[MatLike],
        R: Sequence[MatLike],
        t: Sequence[MatLike],
        seconds: float,
    ) -> Answer:
        """Matrices as cameras in the frame of the first one."""
        cameras = []
        for i, true in enumerate(self.world.cameras):
            clean = np.array([[K[i][0, 0], 0, K[i][0, 2]], [0, K[i][1, 1], K[i][1, 2]], [0, 0, 1]], dtype=float)
            pose = Rigid(_nearest_rotation(R[i]), np.ravel(t[i]).astype(float), f"cam_{true.name}", "rig")
            lens = np.ravel(terms[i])[:5].astype(float)
            cameras.append(Camera(true.name, true.size_px, clean, lens, pose))
        return Answer(tuple(cameras), None, seconds)


def _nearest_rotation(R: MatLike) -> Array:
    u, _, vt = np.linalg.svd(np.asarray(R, dtype=float))
    return np.asarray(u @ vt)


def lens_then_pairs(corners: Corners, *, refine: bool) -> Answer:
    """calibrateCamera for each camera, then stereoCalibrate along the chain of most shared views.

    refine: stereoCalibrate moves the lenses too, each pair for itself.
    """
    world, view_of = corners.world, corners.view_of
    started = time.process_time()
    K, terms = [], []
    for row in view_of:
        uv = [corners.views[m] for m in row[row >= 0]]
        points, size = [corners.points] * len(uv), world.arrangement.size_px
        _, k, d, _, _ = cv2.calibrateCamera(points, uv, size, None, None, flags=_NO_K3)
        K.append(k)
        terms.append(d)
    R, t = [np.eye(3)], [np.zeros(3)]
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | _NO_K3 if refine else cv2.CALIB_FIX_INTRINSIC
    for v in range(1, len(view_of)):
        both = [(view_of[u] >= 0) & (view_of[v] >= 0) for u in range(v)]
        u = int(np.argmax([b.sum() for b in both]))
        boards = np.flatnonzero(both[u])
        found = cv2.stereoCalibrate(
            [corners.points] * len(boards), [corners.views[m] for m in view_of[u, boards]],
            [corners.views[m] for m in view_of[v, boards]], K[u].copy(), terms[u].copy(), K[v].copy(),
            terms[v].copy(), world.arrangement.size_px, flags=flags,
        )  # fmt: skip
        R.append(found[5] @ R[u])
        t.append(found[5] @ t[u] + found[6].ravel())
        if refine:
            K[v], terms[v] = found[3], found[4]
            if v == 1:  # later pairs find the first lens moved already
                K[u], terms[u] = found[1], found[2]
    return corners.answer(K, terms, R, t, time.process_time() - started)


def all_at_once(corners: Corners, *, tight: bool = False) -> Answer:
    """calibrateMultiview. tight: 1000 iterations and a stop at 1e-12 instead of its own."""
    n, boards = len(corners.world.cameras), corners.world.n_boards
    absent = np.full((len(corners.points), 2), -1, dtype=np.float32)
    pixels = [[corners.views[m] if m >= 0 else absent for m in row] for row in corners.view_of]
    stop: dict[str, Any] = {"criteria": (3, 1000, 1e-12)} if tight else {}
    started = time.process_time()
    _, K, terms, R, t = cv2.calibrateMultiview(
        [corners.points] * boards, pixels, [corners.world.arrangement.size_px] * n,
        (corners.view_of >= 0).astype(np.uint8), np.zeros((n, 1), np.uint8), [np.eye(3)] * n, [np.zeros(5)] * n,
        [np.eye(3)] * n, [np.zeros(3)] * n, flagsForIntrinsics=np.full((n, 1), _NO_K3, np.int32), **stop,
    )  # fmt: skip
    seconds = time.process_time() - started
    matrices = [r if np.size(r) == 9 else cv2.Rodrigues(r)[0] for r in R]
    return corners.answer(list(K), list(terms), matrices, list(t), seconds)
