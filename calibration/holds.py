"""Shared footage to matched board poses: the board's still moments, found per camera and joined over cameras.

Where the board's motion tells the clocks (calibration.moving), only the still moments themselves are used.

Cameras are started by hand, so nothing here compares frame numbers. The board is held still at several places;
each camera sees those holds on its own clock. Two cameras' holds are matched by the shift in time under which
most of them coincide *and* the board's poses agree with one fixed placement of the two cameras.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import cv2
import numpy as np

from calibration.board import Board, Ids
from calibration.checks import Array, flat
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.views import BoardView, Hold

STILL_SQUARES_PER_S = 0.25  # 2.5 cm/s for 10 cm squares: above a hand's tremor, far below a carried board
STILL_DRIFT_SQUARES = 0.04  # largest creep over one hold, from its middle
LEAST_HOLD_S = 0.25
_COMPARED_S = 1 / 15  # views so far apart: between nearer ones corner noise looks like motion
LEAST_SHARED = 3  # board poses that two cameras must share before their match counts
_LEAST_COMMON = 6  # corners that two views must both show before their motion counts: three fix an affine one
_SAME_ANGLE_RAD = np.deg2rad(8.0)  # two single-board estimates of one placement differ by a few degrees at 10 m
_SAME_SHIFT = 0.12  # of the board's distance


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """Two cameras' holds joined.

    pairs     (index in a, index in b, board upside down in b against a) of each hold seen by both
    offset_s  t_a = t_b + offset_s
    b_from_a  placement of the two cameras that most pairs agree on
    rival     number of pairs that agree under the best other shift in time
    """

    pairs: tuple[tuple[int, int, bool], ...]
    offset_s: float
    b_from_a: Rigid
    rival: int


def find_holds(views: Sequence[BoardView], board: Board) -> list[Hold]:
    """Stretches of at least 0.25 s in which the board does not move, from views at a steady rate.

    A hold's corners are those seen in half of its views or more, each the mean over the views that saw it.
    """
    if len(views) < 3:
        return []
    all_times = np.array([v.t_s for v in views])
    all_seen = np.full((len(views), board.count, 2), np.nan)
    for row, view in zip(all_seen, views, strict=True):
        row[view.ids] = view.corners_px
    every = max(1, round(_COMPARED_S / float(np.median(np.diff(all_times)))))
    times, seen = all_times[::every], all_seen[::every]
    if len(times) < 3:
        return []
    step_s = float(np.median(np.diff(times)))
    moved = np.array([_moved_squares(a, b, board) for a, b in pairwise(seen)])
    gap = np.diff(times)
    still = (moved / gap < STILL_SQUARES_PER_S) & (gap < 2.5 * step_s)
    holds = []
    for first, last in _runs(still):
        first, last = _without_creep(seen, board, first, last)
        start_s, stop_s = times[first], times[last]
        if stop_s - start_s >= LEAST_HOLD_S:
            inside = (all_times >= start_s) & (all_times <= stop_s)
            px, ids = _mean_corners(all_seen[inside])
            holds.append(Hold(float(start_s), float(stop_s), px, ids))
    return holds


def _mean_corners(seen: Array) -> tuple[Array, Ids]:
    there = np.isfinite(seen[..., 0])
    ids = np.flatnonzero(2 * there.sum(axis=0) >= len(seen))
    return np.asarray(np.nanmean(seen[:, ids], axis=0)), ids


def _moved_squares(a: Array, b: Array, board: Board) -> float:
    """How far the board moved between two views (N, 2; NaN unseen), in squares; infinite where that is unknown.

    Corner noise is averaged away by an affine fit to the motion of the corners that both views show.
    """
    both = np.flatnonzero(np.isfinite(a[:, 0]) & np.isfinite(b[:, 0]))
    if len(both) < _LEAST_COMMON:
        return float("inf")
    terms = np.column_stack([board.points_m()[both, :2] / board.square_m, np.ones(len(both))])
    basis, size = np.linalg.qr(terms)
    if np.abs(np.diag(size)).min() < 1e-6 * len(both):  # all in one row
        return float("inf")
    moved_px = np.sqrt(((basis.T @ (b - a)[both]) ** 2).sum() / len(both))
    return float(moved_px / np.linalg.norm(np.linalg.solve(size, basis.T @ b[both])[:2], axis=1).max())


def _runs(still: np.ndarray) -> list[tuple[int, int]]:
    """(first, last) view index of each run of still steps."""
    edges = np.diff(np.concatenate([[0], still.astype(int), [0]]))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def _without_creep(seen: Array, board: Board, first: int, last: int) -> tuple[int, int]:
    """The run cut down to where the board stays within the allowed drift of its middle."""
    middle = (first + last) // 2
    drift = [_moved_squares(seen[i], seen[middle], board) for i in range(first, last + 1)]
    away = np.array(drift) > STILL_DRIFT_SQUARES
    before = np.flatnonzero(away[: middle - first + 1])
    after = np.flatnonzero(away[middle - first :])
    return (
        first if not before.size else first + int(before[-1]) + 1,
        last if not after.size else middle + int(after[0]) - 1,
    )


def cam_from_board(camera: Camera, board: Board, corners_px: Array, ids: Ids | None = None) -> Rigid:
    """The board's pose in one camera. ids: which corners those are; None for all in order.

    Source: Collins T, Bartoli A (2014), Infinitesimal plane-based pose estimation, Int J Comput Vis
    109:252-286 (OpenCV's implementation), then refined on the pixels.
    """
    n = camera.normalised(corners_px)
    ok = np.isfinite(n).all(axis=1)
    points, image = board.points_m()[slice(None) if ids is None else ids][ok], n[ok]
    _, turns, shifts, errors = cv2.solvePnPGeneric(points, image, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE)
    best = int(np.argmin(np.ravel(errors)))
    turn, shift = cv2.solvePnPRefineLM(points, image, np.eye(3), np.zeros(5), turns[best], shifts[best])
    return Rigid.from_rotvec(flat(turn), flat(shift), f"cam_{camera.name}", "board")


def half_turn(board: Board) -> Rigid:
    """board_from_board turned upside down about its middle."""
    return Rigid(np.diag([-1.0, -1.0, 1.0]), 2 * board.centre_m(), "board", "board")


def match_by_time(
    a: Sequence[Hold], b: Sequence[Hold], poses_a: Sequence[Rigid], poses_b: Sequence[Rigid], board: Board
) -> Match | None:
    """The two cameras' holds joined over their unknown shift in time; None where fewer than three agree."""
    best: Match | None = None
    tried: list[tuple[float, int]] = []
    middle_a = np.array([(h.start_s + h.stop_s) / 2 for h in a])
    middle_b = np.array([(h.start_s + h.stop_s) / 2 for h in b])
    for shift in sorted({round(float(x), 2) for x in np.subtract.outer(middle_a, middle_b).ravel()}):
        pairs = overlapping(a, b, shift)
        if len(pairs) < LEAST_SHARED:
            continue
        match = match_known(pairs, poses_a, poses_b, board)
        if match is None:
            continue
        ends = [(a[i].start_s - b[j].start_s, a[i].stop_s - b[j].stop_s) for i, j, _ in match.pairs]
        offset_s = float(np.median(ends))
        tried.append((offset_s, len(match.pairs)))
        if best is None or len(match.pairs) > len(best.pairs):
            best = Match(match.pairs, offset_s, match.b_from_a, 0)
    if best is None:
        return None
    rival = max((n for offset_s, n in tried if abs(offset_s - best.offset_s) > 0.4), default=0)
    return Match(best.pairs, best.offset_s, best.b_from_a, rival)


def overlapping(a: Sequence[Hold], b: Sequence[Hold], shift_s: float) -> list[tuple[int, int]]:
    """Pairs of holds that share most of the shorter one when b's clock is moved by shift_s."""
    pairs = []
    for i, j in product(range(len(a)), range(len(b))):
        common = min(a[i].stop_s, b[j].stop_s + shift_s) - max(a[i].start_s, b[j].start_s + shift_s)
        shorter = min(a[i].stop_s - a[i].start_s, b[j].stop_s - b[j].start_s)
        if common > 0.6 * shorter:
            pairs.append((i, j))
    return pairs


def match_known(
    pairs: Sequence[tuple[int, int]], poses_a: Sequence[Rigid], poses_b: Sequence[Rigid], board: Board
) -> Match | None:
    """The largest set of pairs that agree on one placement of the two cameras; None below three."""
    candidates: list[tuple[int, int, bool, Rigid]] = []
    turns = (False, True) if board.looks_alike_upside_down else (False,)
    for (i, j), turned in product(pairs, turns):
        pose_b = poses_b[j] @ half_turn(board) if turned else poses_b[j]
        candidates.append((i, j, turned, pose_b @ poses_a[i].inverse()))
    if not candidates:
        return None
    R = np.array([c[3].R for c in candidates])
    centre = np.array([poses_a[c[0]].apply(board.centre_m()) for c in candidates])
    reach = np.array([np.linalg.norm(poses_b[c[1]].apply(board.centre_m())) for c in candidates])
    t = np.array([c[3].t_m for c in candidates])
    # does the placement from pair k carry pair l's board to where b sees it, and turned as b sees it?
    own = np.einsum("lij,lj->li", R, centre) + t
    carried = np.einsum("kij,lj->kli", R, centre) + t[:, None]
    far = np.linalg.norm(carried - own[None], axis=-1)
    cosine = (np.einsum("kij,lij->kl", R, R) - 1) / 2
    agree = (np.arccos(np.clip(cosine, -1, 1)) < _SAME_ANGLE_RAD) & (far < _SAME_SHIFT * reach[None])
    best = int(agree.sum(axis=1).argmax())
    chosen = _one_to_one([candidates[m][:3] for m in np.flatnonzero(agree[best])])
    if len(chosen) < LEAST_SHARED:
        return None
    return Match(tuple(chosen), 0.0, candidates[best][3], 0)


def _one_to_one(pairs: Sequence[tuple[int, int, bool]]) -> list[tuple[int, int, bool]]:
    used_a: set[int] = set()
    used_b: set[int] = set()
    kept = []
    for i, j, turned in pairs:
        if i not in used_a and j not in used_b:
            kept.append((i, j, turned))
            used_a.add(i)
            used_b.add(j)
    return kept
