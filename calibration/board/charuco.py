"""Finding the inner corners of a ChArUco board, whole or partly hidden, in a picture.

The markers say which corner is which; the corners themselves are measured on the squares' edges, as on a
checkerboard, with everything that lies inside a marker left out.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.board.description import DICTIONARIES, Board, Corners, Ids, grey
from calibration.board.meeting import meeting_points
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.footage import Image

LEAST_CORNERS = 8  # a homography takes 4; twice as many leave room to see that one of them is wrong
_SCAN_WIDTH_PX = 1920  # wider pictures get a quick look at this width: markers are found fast, but not small
_CROP_MARGIN = 0.5  # of the seen part's size, around where it was last seen
_REACH = 0.35  # half side of the measuring window over a square
_REACH_PX = 14.0  # and its limit: beyond, time grows and the corner gains nothing
_RIM_PX = 1.0  # a marker's edge is blurred this far into the light rim around it
_LEAST_RIM_PX = 1.5  # kept on either side of an edge also where the rim is thinner: else nothing is left
_MOST_MOVED = 0.2  # of a square, from where the markers put the corner
_MOST_MISSED = 1.4  # times the median miss of a board's corners: more, and a hand or a cut lies in the window
_MOST_UNEVEN = 0.35  # as for the checkerboard: a corner that jumped breaks the line of its neighbours more
_MIN_CONTRAST = 12.0  # grey levels between black and white squares
_GAUSSIAN = 2 * 1.2816 / np.sqrt(2 * np.pi)  # 10-90 % width x steepest slope / contrast of a Gaussian edge


def find_charuco(
    picture: Image, board: Board, *, near: Corners | None = None, thorough: bool = False
) -> Corners | None:
    """The inner corners that are seen, or None where fewer than 8, or all on one line, are seen.

    near: corners in the frame before, searched first.
    thorough: wide pictures are searched at full size too, where markers are small.
    """
    image = grey(picture)
    if near is not None:
        found = _in_crop(image, board, near)
        if found is not None:
            return found
    scale = min(1.0, _SCAN_WIDTH_PX / image.shape[1])
    if scale < 1.0:
        small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        rough = _detected(np.asarray(small, dtype=np.uint8), board)
        if rough is not None:
            return refine_charuco(image, board, Corners((rough.px + 0.5) / scale - 0.5, rough.ids))
        if not thorough:
            return None
    rough = _detected(image, board)
    return None if rough is None else refine_charuco(image, board, rough)


def refine_charuco(picture: Image, board: Board, start: Corners) -> Corners | None:
    """Sub-pixel corners near `start`: good to 0.02-0.06 px if sharp. None where too few corners are there."""
    image = grey(picture)
    axes = _axes_px(start, board)
    px, miss = _meeting_points(image, board, start, axes)
    side = np.linalg.norm(axes, axis=1).min(axis=1)  # the shorter side of a square at each corner
    good = np.isfinite(px).all(axis=1) & (np.linalg.norm(px - start.px, axis=1) < _MOST_MOVED * side)
    good &= _contrast(image, board, start.ids, px, axes) > _MIN_CONTRAST
    if good.any():
        good &= miss < _MOST_MISSED * np.median(miss[good])
    good[good] = _on_line(Corners(px[good], start.ids[good]), board, float(np.median(side)))
    kept = Corners(px[good], start.ids[good])
    return kept if enough_corners(kept, board) else None


def enough_corners(corners: Corners, board: Board) -> bool:
    """Whether there are at least 8 corners, and two rows and two columns of them."""
    rows, columns = np.unique(corners.ids // board.columns), np.unique(corners.ids % board.columns)
    return len(corners.ids) >= LEAST_CORNERS and len(rows) > 1 and len(columns) > 1


def charuco_rise_px(picture: Image, board: Board, corners: Corners) -> float:
    """How many pixels a dark-to-light edge of the squares takes (10 % to 90 %), the worse direction of two.

    From the steepest slope across each edge between two neighbouring corners, as a Gaussian's: 10 % to 90 % of
    an edge with contrast C and slope S takes 1.02 C / S.
    """
    image = grey(picture)
    grid = board.grid_px(corners)
    # the square beyond corner (row, column), towards +x and +y, is white where row + column is odd
    white = np.add.outer(np.arange(board.rows), np.arange(board.columns)) % 2 == 1
    rises = (
        _edge_rises(image, board, grid[:, :-1], grid[:, 1:], white[:, :-1], 1.0),
        _edge_rises(image, board, grid[:-1], grid[1:], white[:-1], -1.0),
    )
    medians = [float(np.median(r)) for r in rises if r.size]
    return max(medians) if medians else float("nan")


@lru_cache(maxsize=8)
def _drawn(board: Board) -> cv2.aruco.CharucoBoard:
    if board.marker_m is None or board.dictionary is None:
        raise BadInput("board: want a charuco board, got a checkerboard")
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARIES[board.dictionary])
    squares = (board.columns + 1, board.rows + 1)
    return cv2.aruco.CharucoBoard(squares, board.square_m, board.marker_m, dictionary)


def _settings() -> tuple[cv2.aruco.CharucoParameters, cv2.aruco.DetectorParameters]:
    """Smaller markers than OpenCV's own limit, and a second try at those that their neighbours tell of.

    Measured on rendered full HD pictures: squares of 19 px are read almost whole and those of 15 px in part,
    where OpenCV's own settings end at 25 px.
    """
    whole, single = cv2.aruco.CharucoParameters(), cv2.aruco.DetectorParameters()
    whole.tryRefineMarkers = True
    single.minMarkerPerimeterRate = 0.01
    return whole, single


def _detected(image: Image, board: Board) -> Corners | None:
    """Corners as the two markers next to each give them. The detector holds state, so each call has its own."""
    if min(image.shape) < 20:
        return None
    px, ids, _, _ = cv2.aruco.CharucoDetector(_drawn(board), *_settings()).detectBoard(image)
    if ids is None or len(ids) < LEAST_CORNERS:
        return None
    order = np.argsort(np.ravel(ids))
    found = np.asarray(px, dtype=float).reshape(-1, 2)
    return Corners(found[order], np.ravel(ids)[order].astype(np.intp))


def _in_crop(image: Image, board: Board, near: Corners) -> Corners | None:
    margin = _CROP_MARGIN * (near.px.max(axis=0) - near.px.min(axis=0)).max()
    low = np.maximum(np.floor(near.px.min(axis=0) - margin).astype(int), 0)
    high = np.minimum(np.ceil(near.px.max(axis=0) + margin).astype(int) + 1, image.shape[::-1])
    crop = np.ascontiguousarray(image[low[1] : high[1], low[0] : high[0]])
    rough = _detected(crop, board)
    return None if rough is None else refine_charuco(image, board, Corners(rough.px + low, rough.ids))


def _axes_px(corners: Corners, board: Board) -> Array:
    """(n, 2, 2) the board's x and y axis at each corner in the picture, px per square."""
    at = np.column_stack([corners.ids % board.columns, corners.ids // board.columns]).astype(float)
    h = np.asarray(cv2.findHomography(at, np.asarray(corners.px))[0], dtype=float)
    step = np.array([[1e-3, 0.0], [0.0, 1e-3]])
    ends = [cv2.perspectiveTransform((at + s)[:, None], h)[:, 0] for s in (*step, *-step)]
    return np.asarray(np.stack([ends[0] - ends[2], ends[1] - ends[3]], axis=1) / 2e-3, dtype=float)


def _meeting_points(image: Image, board: Board, start: Corners, axes: Array) -> tuple[Array, Array]:
    """Where the edges around each corner meet (n, 2), NaN at the border; and by how much they miss (n,).

    Source of the step: Foerstner W, Guelch E (1987), A fast operator for detection and precise location of
    distinct points, ISPRS Intercommission Workshop: the point that all gradients in a window are square to.
    Here the window follows the board, and of the two white squares it takes the rim around the marker only.
    """
    side = np.linalg.norm(axes, axis=2)
    reach = np.minimum(_REACH, _REACH_PX / side.min(axis=1))
    rim = np.maximum(_rim(board) - _RIM_PX / side, _LEAST_RIM_PX / side)
    into_board = np.linalg.inv(np.transpose(axes, (0, 2, 1)))
    parity = (start.ids % board.columns + start.ids // board.columns) % 2
    found = meeting_points(np.ascontiguousarray(image), start.px, into_board, parity, reach, rim)
    px, miss = found[:, :2], found[:, 2]
    inside = np.asarray((px > 1) & (px < np.array(image.shape[::-1]) - 2)).all(axis=1, keepdims=True)
    return np.where(inside, px, np.nan), miss


def _rim(board: Board) -> float:
    """Width of the light rim around a marker, in squares."""
    return (1 - (board.marker_m or 0.0) / board.square_m) / 2


def _sampled(image: Image, at: Array) -> Array:
    """Grey levels at (..., 2) px, between pixels; NaN outside the picture."""
    flat = at.reshape(-1, 1, 2).astype(np.float32)
    level = cv2.remap(image, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    inside = ((at >= 0) & (at <= np.array(image.shape[::-1]) - 1)).all(axis=-1)
    return np.where(inside, level.reshape(at.shape[:-1]).astype(float), np.nan)


def _contrast(image: Image, board: Board, ids: Ids, px: Array, axes: Array) -> Array:
    """(n,) the darker of the two white squares beside a corner over the lighter of the two black ones."""
    rim = _rim(board)
    parity = (ids % board.columns + ids // board.columns) % 2
    quadrant = np.array([[-1.0, -1.0], [1.0, 1.0], [-1.0, 1.0], [1.0, -1.0]])
    is_black = (np.array([0, 0, 1, 1]) + parity[:, None]) % 2 == 0
    # a black square well inside; a white one half way between the corner and its marker's corner
    far = np.where(is_black, 0.25, rim / 2)[..., None] * quadrant
    level = _sampled(image, px[:, None] + np.einsum("nki,nij->nkj", far, axes))
    white = np.where(is_black, np.inf, level).min(axis=1)
    black = np.where(is_black, level, -np.inf).max(axis=1)
    return np.asarray(np.nan_to_num(white - black, nan=-np.inf))


def _on_line(corners: Corners, board: Board, side_px: float) -> NDArray[np.bool_]:
    """(n,) False where three neighbouring corners in a row or column do not run on."""
    grid = board.grid_px(corners)
    bad = np.zeros(grid.shape[:2], dtype=bool)
    across = np.linalg.norm(np.diff(grid, 2, axis=1), axis=-1) > _MOST_UNEVEN * side_px
    down = np.linalg.norm(np.diff(grid, 2, axis=0), axis=-1) > _MOST_UNEVEN * side_px
    for shift in range(3):
        bad[:, shift : board.columns - 2 + shift] |= across
        bad[shift : board.rows - 2 + shift] |= down
    return np.asarray(~bad.ravel()[corners.ids])


def _edge_rises(image: Image, board: Board, a: Array, b: Array, white_beyond: Array, turn: float) -> Array:
    """(m,) widths of the edges from corners a to b (rows, columns, 2), where both are seen.

    turn: quarter turns (+1 or -1) from a-to-b to the far side; white_beyond: whether that side is white.
    """
    seen = np.isfinite(a).all(axis=-1) & np.isfinite(b).all(axis=-1)
    a, along = a[seen], (b - a)[seen]
    length = np.linalg.norm(along, axis=1, keepdims=True)
    to_white = turn * np.where(white_beyond[seen], 1.0, -1.0)[:, None]
    normal = to_white * np.stack([-along[:, 1], along[:, 0]], axis=1) / length
    spot = a[:, None] + np.linspace(0.25, 0.75, 11)[None, :, None] * along[:, None]  # (m, 11, 2)

    def level(distance_px: Array) -> Array:
        """(m, k) mean level along the edge at distances (m, k) towards white."""
        at = spot[:, None] + distance_px[:, :, None, None] * normal[:, None, None]
        return np.asarray(_sampled(image, at).mean(axis=2))

    contrast = np.ravel(np.diff(level(length * np.array([-0.25, _rim(board) / 2])), axis=1))
    profile = level(np.repeat(np.arange(-2, 2.01, 0.25)[None], len(a), axis=0))
    slope = (profile[:, 4:] - profile[:, :-4]).max(axis=1)  # over one pixel
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = _GAUSSIAN * contrast / slope
    return np.asarray(rise[np.isfinite(rise) & (contrast > _MIN_CONTRAST)])
