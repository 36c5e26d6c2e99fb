"""Finding the inner corners of a checkerboard in a picture."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.board.description import Board, grey
from calibration.checks import Array
from calibration.footage import Image

_REACH = 0.3  # half side of the sub-pixel window over the smallest square: the best of 0.15-0.4 as measured
_CROP_MARGIN = 0.5  # of the board's own size, around where it was last seen
_SCAN_WIDTH_PX = 1280  # wider pictures are scanned at this width; sub-pixel work is done at full size
_MOST_UNEVEN = 0.35  # perspective and lens reach 0.15 on near, steep boards; a corner that jumped breaks more
_MIN_CONTRAST = 12.0  # grey levels between dark and light squares; below it the pattern is not a board


def find_corners(
    picture: Image, board: Board, *, near_px: Array | None = None, thorough: bool = False
) -> Array | None:
    """Inner corners (columns * rows, 2) px in board order, or None where the whole board is not seen.

    near_px: corners in the frame before, searched first.
    thorough: look for small or steep boards too, which costs about ten times as much on a picture without one.
    The first corner is fixed by the colours (its inner square is dark); on a board that looks alike upside down
    it is the corner that makes the board's x axis point to the right of the picture.
    """
    image = grey(picture)
    if near_px is not None:
        found = _in_crop(image, board, near_px)
        if found is not None:
            return found
    scale = min(1.0, _SCAN_WIDTH_PX / image.shape[1])
    small = image if scale == 1.0 else cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = np.asarray(small, dtype=np.uint8)
    corners = None
    if cv2.checkChessboard(small, (board.columns, board.rows)):
        corners = _classic(small, board)
    if corners is None and thorough:
        corners = _sectors(small, board)
    if corners is None:
        return None
    corners = (corners + 0.5) / scale - 0.5
    return _ordered(image, _polished(image, corners, board), board)


def refine_corners(picture: Image, board: Board, start_px: Array) -> Array | None:
    """Sub-pixel corners of a board that was seen near start_px: good to 0.02-0.06 px if sharp.

    None where no board is there. Source of the step: Foerstner W, Guelch E (1987), A fast operator for
    detection and precise location of distinct points, ISPRS Intercommission Workshop (OpenCV's implementation).
    """
    image = grey(picture)
    corners = _polished(image, start_px, board)
    if _unevenness(corners, board) > _MOST_UNEVEN:
        return None
    return _ordered(image, corners, board)


def _unevenness(corners: Array, board: Board) -> float:
    """The worst break between neighbouring sides that should run on: |a - 2 b + c| over the shortest side."""
    g = corners.reshape(board.rows, board.columns, 2)
    breaks = np.concatenate([np.diff(g, 2, axis=0).reshape(-1, 2), np.diff(g, 2, axis=1).reshape(-1, 2)])
    return float(np.linalg.norm(breaks, axis=1).max() / max(_square_px(corners, board).min(), 1e-9))


def edge_rise_px(picture: Image, board: Board, corners_px: Array) -> float:
    """How many pixels a dark-to-light edge of the board takes (10 % to 90 %), the worse of the two directions.

    About 1.5-3 on a sharp picture; motion blur and defocus make it longer.
    """
    image = grey(picture)
    size = (board.columns, board.rows)
    points = corners_px.astype(np.float32).reshape(-1, 1, 2)
    both = [
        np.ravel(cv2.estimateChessboardSharpness(image, size, points, 0.8, side)[0])[0]
        for side in (False, True)
    ]
    return float(max(both))


def _square_px(corners_px: Array, board: Board) -> Array:
    """Lengths of all square sides in the picture, px."""
    g = corners_px.reshape(board.rows, board.columns, 2)
    along, across = np.diff(g, axis=1).reshape(-1, 2), np.diff(g, axis=0).reshape(-1, 2)
    return np.asarray(np.linalg.norm(np.concatenate([along, across]), axis=1))


def _classic(image: Image, board: Board) -> Array | None:
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCorners(image, (board.columns, board.rows), flags=flags)
    return np.asarray(corners, dtype=float).reshape(-1, 2) if found else None


def _sectors(image: Image, board: Board) -> Array | None:
    """Duda A, Frese U (2018), Accurate detection and localization of checkerboard corners, BMVC."""
    if min(image.shape) < 20:
        return None
    flags = cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCornersSB(image, (board.columns, board.rows), flags=flags)
    return np.asarray(corners, dtype=float).reshape(-1, 2) if found else None


def _polished(image: Image, corners: Array, board: Board) -> Array:
    reach = int(np.clip(round(_REACH * _square_px(corners, board).min()), 2, 30))
    start = corners.astype(np.float32).reshape(-1, 1, 2)
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 60, 0.001)
    return np.asarray(cv2.cornerSubPix(image, start, (reach, reach), (-1, -1), stop), dtype=float).reshape(
        -1, 2
    )


def _in_crop(image: Image, board: Board, near_px: Array) -> Array | None:
    margin = _CROP_MARGIN * (near_px.max(axis=0) - near_px.min(axis=0)).max()
    low = np.maximum(np.floor(near_px.min(axis=0) - margin).astype(int), 0)
    high = np.minimum(np.ceil(near_px.max(axis=0) + margin).astype(int) + 1, image.shape[::-1])
    if (high - low).min() < 20:
        return None
    crop = np.ascontiguousarray(image[low[1] : high[1], low[0] : high[0]])
    corners = None
    if cv2.checkChessboard(crop, (board.columns, board.rows)):
        corners = _classic(crop, board)
    if corners is None:
        corners = _sectors(crop, board)
    if corners is None:
        return None
    return _ordered(image, _polished(image, corners + low, board), board)


def _ordered(image: Image, corners: Array, board: Board) -> Array | None:
    """Board order: right-handed as seen from the front, first inner square dark. None where it is no board."""
    g = corners.reshape(board.rows, board.columns, 2)
    across, down = g[0, -1] - g[0, 0], g[-1, 0] - g[0, 0]
    if across[0] * down[1] - across[1] * down[0] < 0:
        g = g[:, ::-1]
    middle = (g[:-1, :-1] + g[1:, :-1] + g[:-1, 1:] + g[1:, 1:]) / 4
    x = np.clip(np.rint(middle[..., 0]).astype(int), 0, image.shape[1] - 1)
    y = np.clip(np.rint(middle[..., 1]).astype(int), 0, image.shape[0] - 1)
    level = image[y, x].astype(float)
    even = np.add.outer(np.arange(board.rows - 1), np.arange(board.columns - 1)) % 2 == 0
    light_first = float(np.median(level[even]) - np.median(level[~even]))
    if abs(light_first) < _MIN_CONTRAST:
        return None
    if board.looks_alike_upside_down:
        along = g[:, -1].mean(axis=0) - g[:, 0].mean(axis=0)
        turn = along[0] < 0 or (along[0] == 0 and along[1] < 0)
    else:
        turn = light_first > 0
    if turn:
        g = g[::-1, ::-1]
    return np.ascontiguousarray(g.reshape(-1, 2))
