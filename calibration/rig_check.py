"""How well a rig predicts what took no part in its fit: corners in pixels, lengths in metres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.board import Board
from calibration.bundle import BoardSeen, BundleSolution, bent_points
from calibration.checks import Array
from calibration.geometry.camera import Camera
from calibration.lens import pose_of_board
from calibration.rig_data import RigData, settled

_FOLDS = 4
_LEAST_BOARDS = 8


@dataclass(frozen=True, slots=True)
class HeldOut:
    """px: rms length of corners predicted in one camera from the others. length_m: rms error of the board's
    sides and diagonals as the rig triangulates them. Both over board poses that took no part in the fit."""

    px: float
    length_m: float


def held_out(data: RigData, solution: BundleSolution) -> HeldOut | None:
    """Every shared board pose is left out once, a quarter at a time. None where there are fewer than eight."""
    boards = sorted({s.board for s in data.seen if s.board < data.n_shared})
    if len(boards) < _LEAST_BOARDS:
        return None
    misses: list[Array] = []
    lengths: list[Array] = []
    for fold in range(_FOLDS):
        out = set(boards[fold::_FOLDS])
        rest = [s for s in data.seen if s.board not in out]
        if {s.camera for s in rest if s.board < data.n_shared} != {s.camera for s in data.seen}:
            return None
        fit = data.solve(rest)
        for b in sorted(out):
            together = [settled(s, fit) for s in data.seen if s.board == b]
            for target in together:
                others = [BoardSeen(s.camera, 0, s.uv_px, s.ids) for s in together if s.camera != target.camera]
                pose = pose_of_board(fit, others, solution.world_from_board[b], data.board)
                x = pose.apply(bent_points(data.board.points_m(), fit.bow_m))
                ids = slice(None) if target.ids is None else target.ids
                misses.append(target.uv_px - fit.cameras[target.camera].project(x[ids]))
            lengths.append(_length_errors(fit.cameras, together, data.board))
    px = float(np.sqrt(np.mean([(m**2).sum(axis=1).mean() for m in misses])))
    return HeldOut(px, float(np.sqrt(np.mean(np.concatenate(lengths) ** 2))))


def _length_errors(cameras: Sequence[Camera], together: Sequence[BoardSeen], board: Board) -> Array:
    """Measured minus true of the four sides and two diagonals, m, where two or more cameras saw their ends."""
    points, columns = board.points_m(), board.columns
    outer = (0, columns - 1, len(points) - columns, len(points) - 1)
    met: dict[int, Array] = {}
    for k in outer:
        rays = [(s.camera, _corner(s, k)) for s in together]
        found = [(c, uv) for c, uv in rays if uv is not None]
        if len(found) >= 2:
            met[k] = _meet([cameras[c] for c, _ in found], [uv for _, uv in found])
    pairs = [(a, b) for i, a in enumerate(outer) for b in outer[i + 1 :] if a in met and b in met]
    return np.array([np.linalg.norm(met[a] - met[b]) - np.linalg.norm(points[a] - points[b]) for a, b in pairs])


def _corner(seen: BoardSeen, corner: int) -> Array | None:
    if seen.ids is None:
        return np.asarray(seen.uv_px[corner])
    at = np.flatnonzero(seen.ids == corner)
    return np.asarray(seen.uv_px[at[0]]) if len(at) else None


def _meet(cameras: Sequence[Camera], uv_px: Sequence[Array]) -> Array:
    """The point (3,) nearest to the cameras' rays, each weighed by its distance's share of a pixel."""
    x: Array = np.zeros(3)
    for weighed in (False, True):
        a, b = np.zeros((3, 3)), np.zeros(3)
        for camera, uv in zip(cameras, uv_px, strict=True):
            d = camera.rays(uv)
            w = (camera.K_px[0, 0] / max(float(camera.depth_m(x)), 0.1)) ** 2 if weighed else 1.0
            across = (np.eye(3) - np.outer(d, d)) * w
            a += across
            b += across @ camera.centre_m()
        x = np.asarray(np.linalg.solve(a, b))
    return np.asarray(x)
