"""One view's sums, by its own unknowns, carried over to those of the whole joint fit; compiled.

A view's own unknowns are its lens, a small motion (ω, τ) of the pose in which it sees the board, the board's
bow and one clock. The motion follows from two poses of the fit: from a camera's step (r, δ) by ω = r and
τ = tc × r + δ, from a board's (s, δ) by ω = Rc s and τ = t × (Rc s) + Rc δ, where cam_from_world = (Rc, tc) and
t is the board's origin in the camera. Both are linear, so sums of derivatives carry over as derivatives do.

Conventions: H (VIEW, VIEW), lower triangle, and g (VIEW,) are a view's sums; Hgg, gg, Hgb, Hbb, gb those of the
fit, here only the view's own board's share; at: the camera's first unknown, lens 12 and then pose 6; size: how
many of the lens are in use; out, rows (6,): to work in.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from calibration.checks import Array

FAST = {"reassoc", "contract", "arcp", "nsz"}  # NaN and infinity keep their meaning
VIEW = 21
"""A view's own unknowns: lens 12, ω 3, τ 3, bow 2, clock 1."""
XI, BOW, CLOCK = 12, 18, 20
"""Where (ω, τ), the bow and the clock stand among them."""


@njit(cache=True, fastmath=FAST)
def _to_pose(row: Array, R: Array, t: Array, out: Array) -> None:
    """Carries derivatives (6,) by (ω, τ) over to (r, δ) with ω = R r and τ = t × (R r) + R δ."""
    w0 = row[0] + row[4] * t[2] - row[5] * t[1]
    w1 = row[1] + row[5] * t[0] - row[3] * t[2]
    w2 = row[2] + row[3] * t[1] - row[4] * t[0]
    for j in range(3):
        out[j] = w0 * R[0, j] + w1 * R[1, j] + w2 * R[2, j]
        out[3 + j] = row[3] * R[0, j] + row[4] * R[1, j] + row[5] * R[2, j]


@njit(cache=True, fastmath=FAST)
def carry_lens(
    H: Array, g: Array, at: int, size: int, Rc: Array, tc: Array, t: Array, identity: Array, rows: Array,
    out: Array, Hgg: Array, gg: Array, Hgb: Array,
) -> None:  # fmt: skip
    """Lens against itself, against its camera's pose and against the board."""
    for i in range(size):
        for j in range(i + 1):
            Hgg[at + i, at + j] += H[i, j]
        gg[at + i] += g[i]
        for k in range(6):
            rows[k] = H[XI + k, i]
        _to_pose(rows, identity, tc, out)
        for k in range(6):
            Hgg[at + 12 + k, at + i] += out[k]
        _to_pose(rows, Rc, t, out)
        for k in range(6):
            Hgb[k, at + i] += out[k]


@njit(cache=True, fastmath=FAST)
def carry_poses(
    H: Array, g: Array, at: int, Rc: Array, tc: Array, t: Array, identity: Array, out: Array, Hgg: Array,
    gg: Array, Hgb: Array, Hbb: Array, gb: Array,
) -> None:  # fmt: skip
    """The camera's pose and the board's against themselves and each other."""
    by_camera, by_board = np.empty((6, 6)), np.empty((6, 6))
    for i in range(6):
        for j in range(i):
            H[XI + j, XI + i] = H[XI + i, XI + j]
    for i in range(6):
        _to_pose(H[XI + i, XI : XI + 6], identity, tc, by_camera[i])
        _to_pose(H[XI + i, XI : XI + 6], Rc, t, by_board[i])
    for j in range(6):
        _to_pose(by_camera[:, j], identity, tc, out)
        for i in range(j, 6):
            Hgg[at + 12 + i, at + 12 + j] += out[i]
        _to_pose(by_board[:, j], identity, tc, out)
        for i in range(6):
            Hgb[j, at + 12 + i] += out[i]
        _to_pose(by_board[:, j], Rc, t, out)
        for i in range(6):
            Hbb[i, j] += out[i]
    _to_pose(g[XI : XI + 6], identity, tc, out)
    for k in range(6):
        gg[at + 12 + k] += out[k]
    _to_pose(g[XI : XI + 6], Rc, t, out)
    for k in range(6):
        gb[k] += out[k]


@njit(cache=True, fastmath=FAST)
def carry_shared(
    H: Array, g: Array, at: int, size: int, extra: int, clock: int, Rc: Array, tc: Array, t: Array,
    identity: Array, out: Array, Hgg: Array, gg: Array, Hgb: Array,
) -> None:  # fmt: skip
    """Bow and clock against themselves, the camera and the board. extra: first row of the bow."""
    for e in range(2 if clock < 0 else 3):
        row = extra + e if e < 2 else extra + 2 + clock
        for j in range(size):
            Hgg[row, at + j] += H[BOW + e, j]
        _to_pose(H[BOW + e, XI : XI + 6], identity, tc, out)
        for k in range(6):
            Hgg[row, at + 12 + k] += out[k]
        _to_pose(H[BOW + e, XI : XI + 6], Rc, t, out)
        for k in range(6):
            Hgb[k, row] += out[k]
        for d in range(e + 1):
            Hgg[row, extra + d if d < 2 else extra + 2 + clock] += H[BOW + e, BOW + d]
        gg[row] += g[BOW + e]
