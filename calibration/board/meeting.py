"""The inner loop of measuring ChArUco corners, compiled: where the edges around a corner meet."""

from __future__ import annotations

import numpy as np
from numba import njit

from calibration.board.description import Ids
from calibration.checks import Array
from calibration.footage import Image

_STEPS, _SETTLED_PX = 12, 0.005


@njit(cache=True)
def meeting_points(
    image: Image, start_px: Array, into_board: Array, parity: Ids, reach: Array, rim: Array
) -> Array:
    """(n, 3): px of the point that the gradients around each are square to, and how far the edges miss it.

    The miss is the rms distance in px, weighted by the gradients: the edges' own width where all run through
    the point, more where something else lies in the window.

    start_px (n, 2)          first guess
    into_board (n, 2, 2)     px from the corner to squares along the board's x and y
    parity (n,)              0 where the square before the corner, towards -x and -y, is black, else 1
    reach (n,)               half side of the window, squares
    rim (n, 2)               in a white square nothing farther than this from both edges counts, squares
    """
    out = np.empty((len(start_px), 3))
    for k in range(len(start_px)):
        x, y, miss = start_px[k, 0], start_px[k, 1], 0.0
        farthest = 3 * reach[k] / np.abs(into_board[k]).max()  # px
        for _ in range(_STEPS):
            dx, dy, miss = _step(image, x, y, into_board[k], parity[k], reach[k], rim[k])
            x, y = x + dx, y + dy
            if dx * dx + dy * dy < _SETTLED_PX**2:
                break
            if abs(x - start_px[k, 0]) + abs(y - start_px[k, 1]) > farthest:
                break  # lost; the caller sees that it went too far
        out[k, 0], out[k, 1], out[k, 2] = x, y, miss
    return out


@njit(cache=True)
def _step(
    image: Image, x: float, y: float, into: Array, parity: int, reach: float, rim: Array
) -> tuple[float, float, float]:
    """From (x, y) to the weighted meeting point of the edges around it, (0, 0) if none; and the miss."""
    height, width = image.shape
    det = into[0, 0] * into[1, 1] - into[0, 1] * into[1, 0]
    half_x = int(np.ceil(reach * (abs(into[1, 1]) + abs(into[0, 1])) / abs(det)))
    half_y = int(np.ceil(reach * (abs(into[1, 0]) + abs(into[0, 0])) / abs(det)))
    xx = xy = yy = bx = by = off = 0.0
    for j in range(max(1, int(np.rint(y)) - half_y), min(height - 1, int(np.rint(y)) + half_y + 1)):
        for i in range(max(1, int(np.rint(x)) - half_x), min(width - 1, int(np.rint(x)) + half_x + 1)):
            px, py = i - x, j - y
            a = into[0, 0] * px + into[0, 1] * py
            b = into[1, 0] * px + into[1, 1] * py
            if abs(a) > reach or abs(b) > reach:
                continue
            in_white = (parity + (1 if a > 0 else 0) + (1 if b > 0 else 0)) % 2 == 1
            if in_white and abs(a) > rim[0] and abs(b) > rim[1]:
                continue
            w = np.exp(-2 * (a * a + b * b) / (reach * reach))
            gx = (float(image[j, i + 1]) - float(image[j, i - 1])) / 2
            gy = (float(image[j + 1, i]) - float(image[j - 1, i])) / 2
            xx += w * gx * gx
            xy += w * gx * gy
            yy += w * gy * gy
            along = gx * px + gy * py
            bx += w * gx * along
            by += w * gy * along
            off += w * along * along
    d = xx * yy - xy * xy
    if d <= 1e-6 * (xx + yy) ** 2 or d <= 0:
        return (
            0.0,
            0.0,
            0.0,
        )  # flat, or one edge only: the corner stays, and its contrast drops it
    return (yy * bx - xy * by) / d, (xx * by - xy * bx) / d, np.sqrt(off / (xx + yy))
