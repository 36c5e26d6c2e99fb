"""What board views have covered so far: fields of the picture, distances, tilts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid

GRID = (12, 8)
"""Fields across and down; the grid by which the lens record tells its coverage."""

NEAR, FAR = 0.6, 0.4
"""Height of a board facing the camera over the picture's: from the first on it is near, below the other far."""

_TILTED_RAD = np.deg2rad(15.0)
TILTS = ("top away", "top toward", "left away", "right away", "flat")
DISTANCES = ("near", "middle", "far")


@dataclass(frozen=True, slots=True, eq=False)
class Coverage:
    """cells (8, 12): corners seen per field; distances and tilts: views per kind, in the order of DISTANCES and
    TILTS (left and right as in the picture)."""

    cells: NDArray[np.int_]
    distances: tuple[int, ...]
    tilts: tuple[int, ...]

    @classmethod
    def empty(cls) -> Coverage:
        """Nothing seen yet."""
        return cls(np.zeros(GRID[::-1], dtype=int), (0,) * len(DISTANCES), (0,) * len(TILTS))

    @property
    def share(self) -> float:
        """Share of the picture's fields that a corner reached."""
        return float((self.cells > 0).mean())

    def with_view(
        self, corners_px: Array, size_px: tuple[int, int], distance: int, tilts: tuple[int, ...]
    ) -> Coverage:
        """One more view. distance: index into DISTANCES; tilts: indices into TILTS."""
        cells = self.cells + corners_per_field(corners_px, size_px)
        cells.flags.writeable = False
        return replace(
            self,
            cells=cells,
            distances=tuple(n + (i == distance) for i, n in enumerate(self.distances)),
            tilts=tuple(n + (i in tilts) for i, n in enumerate(self.tilts)),
        )


def corners_per_field(corners_px: Array, size_px: tuple[int, int]) -> NDArray[np.int_]:
    """How many of the corners (N, 2) lie in each field (8, 12); those outside the picture in none."""
    place = np.floor((corners_px + 0.5) / np.array(size_px) * np.array(GRID)).astype(int)
    place = place[((place >= 0) & (place < np.array(GRID))).all(axis=1)]
    cells = np.zeros(GRID[::-1], dtype=int)
    np.add.at(cells, (place[:, 1], place[:, 0]), 1)
    return cells


def size_and_tilt(camera: Camera, board: Board, cam_from_board: Rigid) -> tuple[int, tuple[int, ...]]:
    """Indices into DISTANCES and TILTS of a view; the size is that of the pattern facing the camera there."""
    depth_m = float(cam_from_board.apply(board.centre_m())[2])
    share = (board.rows + 1) * board.square_m * camera.K_px[1, 1] / (depth_m * camera.size_px[1])
    distance = 0 if share >= NEAR else 2 if share < FAR else 1
    normal = cam_from_board.R[:, 2]  # into the board: its slope says which side is farther from the picture
    about_x, about_y = np.arctan2(normal[1], normal[2]), np.arctan2(normal[0], normal[2])
    tilts = []
    if abs(about_x) > _TILTED_RAD:
        tilts.append(0 if about_x > 0 else 1)
    if abs(about_y) > _TILTED_RAD:
        tilts.append(2 if about_y > 0 else 3)
    return distance, tuple(tilts) or (4,)
