"""The checkerboard: what it is, and finding its inner corners in a picture."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from calibration.footage import Image

_REACH = 0.3  # half side of the sub-pixel window over the smallest square: the best of 0.15-0.4 as measured
_CROP_MARGIN = 0.5  # of the board's own size, around where it was last seen
_SCAN_WIDTH_PX = 1280  # wider pictures are scanned at this width; sub-pixel work is done at full size
_MOST_UNEVEN = 0.35  # perspective and lens reach 0.15 on near, steep boards; a corner that jumped breaks more
_MIN_CONTRAST = 12.0  # grey levels between dark and light squares; below it the pattern is not a board


@dataclass(frozen=True, slots=True)
class Board:
    """A flat checkerboard.

    columns, rows  inner corners along the longer and the shorter side
    square_m       side of a square
    square_u_m     standard uncertainty of square_m (one common scale error of the print)
    flat_u_m       how far the board may bow: standard uncertainty of its bow height along either side. Foam and
                   plywood of a metre bow by millimetres (common practice); 0 only for glass or stone
    Board frame: origin at the first inner corner, x along the columns, y along the rows, z into the board as
    seen from its front.
    """

    columns: int
    rows: int
    square_m: float
    square_u_m: float = 0.0
    flat_u_m: float = 0.003

    def __post_init__(self) -> None:
        if self.columns < 3 or self.rows < 3 or self.columns > 60 or self.rows > 60:
            raise BadInput(
                "board: want 3 to 60 inner corners along each side, "
                f"got columns = {self.columns}, rows = {self.rows}"
            )
        if self.columns <= self.rows:
            raise BadInput(
                "board: want more inner corners along the longer side (columns) than along the shorter (rows), "
                f"got columns = {self.columns}, rows = {self.rows}; a square board has no direction"
            )
        if not 0.002 <= self.square_m <= 1.0:
            raise BadInput(f"board: want squares of 2 to 1000 mm, got {self.square_m * 1e3:g} mm")
        if not 0 <= self.square_u_m < 0.1 * self.square_m:
            raise BadInput(
                f"board: want an uncertainty of the squares from 0 to a tenth of their side, "
                f"got {self.square_u_m * 1e3:g} mm"
            )
        if not 0 <= self.flat_u_m <= 0.05:
            raise BadInput(f"board: want a bow from 0 to 50 mm, got {self.flat_u_m * 1e3:g} mm")

    @property
    def looks_alike_upside_down(self) -> bool:
        """True where a half turn maps the pattern onto itself: both counts even, or both odd."""
        return (self.columns + self.rows) % 2 == 0

    def points_m(self) -> Array:
        """(columns * rows, 3) inner corners in the board frame, row after row."""
        x, y = np.meshgrid(np.arange(self.columns), np.arange(self.rows))
        return np.asarray(
            np.stack([x, y, np.zeros_like(x)], axis=-1).reshape(-1, 3) * self.square_m, dtype=float
        )

    def centre_m(self) -> Array:
        """(3,) middle of the inner corners in the board frame."""
        return np.asarray(self.points_m().mean(axis=0), dtype=float)


def grey(image: Image) -> Image:
    """(H, W) uint8 of a BGR or already grey picture."""
    return image if image.ndim == 2 else np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)


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


def size_seen(picture: Image) -> tuple[int, int] | None:
    """(columns, rows) of the whole checkerboard in the picture, longer side first; None where none is seen."""
    image = grey(picture)
    flags = cv2.CALIB_CB_LARGER | cv2.CALIB_CB_EXHAUSTIVE
    found, _, meta = cv2.findChessboardCornersSBWithMeta(image, (3, 3), flags)
    if not found or meta is None:
        return None
    return (max(meta.shape), min(meta.shape))


def check_size(board: Board, pictures: Iterable[Image], where: str) -> None:
    """For footage in which the board is hardly ever found: raises BadInput where it shows one of another size.

    The largest size that two pictures agree on counts: a half hidden board looks smaller, never larger.
    """
    seen = Counter(s for s in map(size_seen, pictures) if s is not None)
    agreed = [size for size, votes in seen.items() if votes >= 2]
    if not agreed:
        return
    columns, rows = max(agreed, key=lambda size: size[0] * size[1])
    if (columns, rows) != (board.columns, board.rows):
        raise BadInput(
            f"{where}: rig.toml describes a board of {board.columns} x {board.rows} inner corners, "
            f"but the one in the picture has {columns} x {rows}; mend [board] columns and rows"
        )


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
