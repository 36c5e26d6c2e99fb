"""The shift in time between two cameras that watch one moving board, found over the whole of their footage.

Each camera measures the board's motion in its own frame, in metres. Under the right shift one fixed placement
of the two cameras carries the board of one onto the board of the other at all instants; under a wrong one it
does not, as soon as the board turns or changes its way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.holds import cam_from_board
from calibration.moving.track import BoardTrack

GRID_S = 1 / 15  # at 0.3 m/s the board moves 2 cm from step to step, less than the tolerance below
_STRIDE_M = 0.06  # instants count once per so much motion: a board laid down proves nothing by the minute
_MOST_INSTANTS = 400  # more would make long footage quadratic
_LEAST_INSTANTS = 15  # about a metre of common way
_TOLERANCE = 0.02  # of the board's distance: single-board poses at 8 m scatter by a few centimetres in depth
_LEAST_SHARE = 0.6  # of the common instants must agree on one placement
_RIVAL_APART_S = 0.4  # as for holds
_RIVAL_SHARE = 0.8
_KEPT_SHIFTS = 200  # candidates that are looked at closely


@dataclass(frozen=True, slots=True, eq=False)
class Shift:
    """t_a = t_b + offset_s, coarsely.

    b_from_a  placement that the instants agree on
    instants  number of instants that agree; share: of all common ones
    rival     number that agree under the best other shift, rival_s, with rival_b_from_a; 0 where there is none
    """

    offset_s: float
    b_from_a: Rigid
    instants: float
    share: float
    rival: float
    rival_s: float
    rival_b_from_a: Rigid


@dataclass(frozen=True, slots=True, eq=False)
class PoseTrack:
    """Board poses on a steady grid: marks (T, P, 3), points fixed to the board in the camera's frame, NaN where
    unseen; first: grid index of row 0, time = index * GRID_S."""

    camera: Camera
    first: int
    marks: Array

    @property
    def t_s(self) -> Array:
        """Times (T,) on the camera's clock."""
        return np.asarray((self.first + np.arange(len(self.marks))) * GRID_S)


def pose_track(track: BoardTrack, camera: Camera, board: Board) -> PoseTrack:
    """The board's pose in one camera about 15 times a second."""
    first = int(np.ceil(track.t_s[0] / GRID_S))
    t_s = np.asarray(np.arange(first, int(track.t_s[-1] / GRID_S) + 1) * GRID_S, dtype=float)
    sample = track.at(t_s)
    arm = float(np.linalg.norm(board.centre_m()))
    local = board.centre_m() + arm * np.array([[0, 0, 0], [0, 0, 1.0], [1, 0, 0], [0, 1, 0]])
    if board.looks_alike_upside_down:
        local = local[:2]  # what a half turn about the middle leaves in place
    marks = np.full((len(t_s), len(local), 3), np.nan)
    for i in np.flatnonzero(sample.seen()):
        marks[i] = cam_from_board(camera, board, sample.uv_px[i]).apply(local)
    return PoseTrack(camera, first, marks)


def find_shift(a: PoseTrack, b: PoseTrack) -> Shift | None:
    """The shift under which most instants agree on one placement; None where none stands out from chance.

    A rival that agrees nearly as well is told, not judged: `ambiguous` judges.
    Source of the alignment: Kabsch W (1976), Acta Cryst A32:922-923.
    """
    rows = _instants(a)
    seen_b = np.asarray(np.isfinite(b.marks).all(axis=(1, 2)))
    if len(rows) < _LEAST_INSTANTS or seen_b.sum() < _LEAST_INSTANTS:
        return None
    reach = float(max(np.nanmedian(np.linalg.norm(p.marks[:, 0], axis=1)) for p in (a, b)))
    tolerance_m = _TOLERANCE * reach
    # row of b = row of a - lag
    lags = np.arange(-len(b.marks) + 1, len(a.marks))
    scores = np.array([_agreeing(a, b, rows, int(lag), seen_b, tolerance_m, 1)[0] for lag in lags])
    near = np.sort(np.argsort(-scores, kind="stable")[:_KEPT_SHIFTS])
    close = np.zeros(len(lags))
    shares = np.zeros(len(lags))
    for i in near[scores[near] > 0]:
        close[i], shares[i], _ = _agreeing(a, b, rows, int(lags[i]), seen_b, tolerance_m, 4)
    close[shares < _LEAST_SHARE] = 0.0
    best = int(close.argmax())
    if close[best] < _LEAST_INSTANTS * _LEAST_SHARE:
        return None
    away = _peaks(close) & (np.abs(lags - lags[best]) * GRID_S > _RIVAL_APART_S)
    rival = int(np.where(away, close, -1.0).argmax()) if away.any() else best
    shift = (lags + a.first - b.first) * GRID_S
    placed = [
        Rigid(*_agreeing(a, b, rows, int(lags[i]), seen_b, tolerance_m, 4)[2], f"cam_{b.camera.name}",
              f"cam_{a.camera.name}")
        for i in (best, rival)
    ]  # fmt: skip
    return Shift(
        float(shift[best]), placed[0], float(close[best]), float(shares[best]),
        float(close[rival]) if rival != best else 0.0, float(shift[rival]), placed[1],
    )  # fmt: skip


def ambiguous(shift: Shift) -> bool:
    """True where another shift agrees nearly as well."""
    return shift.rival > _RIVAL_SHARE * shift.instants


def _instants(a: PoseTrack) -> NDArray[np.intp]:
    """Rows at which the board has moved on since the row before; static stretches count once."""
    rows: list[int] = []
    last: Array | None = None
    for i in np.flatnonzero(np.isfinite(a.marks).all(axis=(1, 2))):
        if last is None or np.linalg.norm(a.marks[i] - last, axis=1).max() > _STRIDE_M:
            rows.append(int(i))
            last = a.marks[i]
    thinned = np.linspace(0, len(rows) - 1, min(len(rows), _MOST_INSTANTS)).round().astype(int)
    return np.asarray(np.array(rows, dtype=np.intp)[thinned])


def _agreeing(
    a: PoseTrack, b: PoseTrack, rows: NDArray[np.intp], lag: int, seen_b: NDArray[np.bool_],
    tolerance_m: float, rounds: int,
) -> tuple[float, float, tuple[Array, Array]]:  # fmt: skip
    """Number of instants that agree under one lag, their share, and the placement (R, t)."""
    rows_b = rows - lag
    inside = (rows_b >= 0) & (rows_b < len(b.marks))
    rows, rows_b = rows[inside], rows_b[inside]
    both = seen_b[rows_b]
    nothing = (np.eye(3), np.zeros(3))
    if both.sum() < _LEAST_INSTANTS:
        return 0.0, 0.0, nothing
    x, y = a.marks[rows[both]], b.marks[rows_b[both]]
    weight = np.ones(len(x))
    for _ in range(rounds):
        R, t = _aligned(x, y, weight)
        away2 = ((x @ R.T + t - y) ** 2).sum(axis=2).mean(axis=1)
        weight = np.exp(-0.5 * away2 / tolerance_m**2) + 1e-6
    return float(weight.sum()), float(weight.mean()), (R, t)


def _aligned(x: Array, y: Array, weight: Array) -> tuple[Array, Array]:
    """R, t with y = R x + t best for weighted marks (T, P, 3)."""
    w = np.repeat(weight / weight.sum() / x.shape[1], x.shape[1])
    p, q = x.reshape(-1, 3), y.reshape(-1, 3)
    mean_p, mean_q = w @ p, w @ q
    u, _, vt = np.linalg.svd((q - mean_q).T @ ((p - mean_p) * w[:, None]))
    R = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return R, mean_q - R @ mean_p


def _peaks(score: Array) -> NDArray[np.bool_]:
    """Local maxima: the flank of one peak is no rival."""
    padded = np.pad(score, 1)
    return np.asarray((score > 0) & (score >= padded[:-2]) & (score >= padded[2:]))
