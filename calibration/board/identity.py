"""Which board is in the picture: a wrong description, or a second board, is told and not calibrated with."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import cv2
import numpy as np

from calibration.board.description import CHARUCO, DICTIONARIES, Board, Corners, Ids, grey
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.footage import Image

_WIDTH_PX = 1280  # as for the quick scan: a board that could be used at all shows at this width
_LEAST_MARKERS = 6  # a homography takes one marker's corners; six say in how wide a board they lie
_FIT_SQUARES = 0.3  # lens distortion bends a board by less; a marker of another layout is a square off or more
_MARKER_SHARE = 0.7  # of a square, usual; 0.5 or 0.9 changes where a marker's corners lie by 0.1 square
_AGREED = 2  # pictures that must agree: one alone may show half a board or a blurred one
_DARK_LIGHT = 0.35  # of the contrast between black and white squares: nearer than this to one is that one


@dataclass(frozen=True, slots=True)
class GridSeen:
    """A grid of squares: inner corners, longer side first, and whether the pattern ends there on all sides."""

    columns: int
    rows: int
    whole: bool


@dataclass(frozen=True, slots=True)
class MarkersSeen:
    """Markers of a ChArUco board.

    bits     along a marker's side
    across   squares in one row of the board, as the numbers of the markers lie; 0 where two boards are mixed
    first    "black" or "white": the square in the board's first corner
    largest  marker number
    """

    bits: int
    across: int
    first: str
    largest: int


def check_board(
    board: Board, without: Sequence[Image], found: Sequence[tuple[Image, Corners]], often: bool, where: str
) -> None:
    """Raises BadInput, in one line, where footage shows another board than described, or a second one.

    without  some pictures in which the board was not found
    found    some in which it was, and where
    often    the board was found in a good part of the footage, so that another one is a second one
    """
    if board.kind == CHARUCO:
        _check_charuco(board, without, often, where)
    else:
        _check_checkerboard(board, without, found, often, where)


def _check_checkerboard(
    board: Board, without: Sequence[Image], found: Sequence[tuple[Image, Corners]], often: bool, where: str
) -> None:
    described = f"rig.toml describes a board of {board.columns} x {board.rows} inner corners"
    marked = _agreed(any_markers_seen(p) for p in [*without, *(picture for picture, _ in found)])
    if marked:
        raise BadInput(
            f"{where}: rig.toml describes a checkerboard, but the board in the picture carries markers of "
            f"{marked[0].bits}x{marked[0].bits} bits; mend [board] kind"
        )
    grids = _agreed(grid_seen(p) for p in without)
    if not often and grids:
        # a half hidden board looks smaller, never larger: the largest that two pictures agree on counts
        g = max(grids, key=lambda g: g.columns * g.rows)
        if (g.columns, g.rows) != (board.columns, board.rows):
            raise BadInput(
                f"{where}: {described}, but the one in the picture has {g.columns} x {g.rows}; "
                "mend [board] columns and rows"
            )
    others = [g for g in grids if g.whole and (g.columns, g.rows) != (board.columns, board.rows)]
    if often and others:
        raise BadInput(
            f"{where}: {described}, but another one of {others[0].columns} x {others[0].rows} appears in the "
            "same footage; use one board, and film with it alone"
        )
    beside = [g for g in _agreed(grid_seen(_blanked(p, c, board)) for p, c in found) if g.whole]
    if beside:
        raise BadInput(
            f"{where}: a second board, of {beside[0].columns} x {beside[0].rows} inner corners, stands in the "
            "same picture; put it away and film again"
        )


def _check_charuco(board: Board, without: Sequence[Image], often: bool, where: str) -> None:
    own_bits = int(str(board.dictionary)[0])
    described = (
        f"rig.toml describes a ChArUco board of {board.columns} x {board.rows} inner corners with markers of "
        f"{own_bits}x{own_bits} bits"
    )
    then = "use one board, and film with it alone" if often else "mend [board]"
    verb = "another one in the same footage has" if often else "the one in the picture has"
    for m in _agreed(any_markers_seen(p, first_bits=own_bits) for p in without):
        if m.across == 0:
            raise BadInput(f"{where}: two boards with the same markers stand in one picture; put one away")
        if m.bits != own_bits:
            raise BadInput(f"{where}: {described}, but {verb} markers of {m.bits}x{m.bits} bits; {then}")
        if m.across != board.columns + 1:
            raise BadInput(f"{where}: {described}, but {verb} {m.across - 1} inner corners along a row; {then}")
        if m.first == "white":
            raise BadInput(
                f"{where}: {described}, but {verb} a white square with a marker in its first corner (OpenCV's "
                "pattern before 4.6); print one anew with courtplumb board"
            )
        if m.largest >= board.markers:
            raise BadInput(
                f"{where}: {described}, so markers 0 to {board.markers - 1}, but {verb} marker {m.largest}; "
                f"it has more rows; {then}"
            )
    plain = [] if often else _agreed(grid_seen(p) for p in without if any_markers_seen(p) is None)
    if plain:
        raise BadInput(
            f"{where}: {described}, but the one in the picture is a checkerboard of {plain[0].columns} x "
            f"{plain[0].rows} inner corners; mend [board] kind"
        )


_Seen = TypeVar("_Seen", bound=Hashable)


def _agreed(seen: Iterable[_Seen | None]) -> list[_Seen]:
    """What at least two pictures show alike, most often seen first."""
    votes = Counter(s for s in seen if s is not None)
    return [s for s, n in votes.most_common() if n >= _AGREED]


def _scanned(picture: Image) -> Image:
    image = grey(picture)
    scale = min(1.0, _WIDTH_PX / image.shape[1])
    if scale == 1.0:
        return image
    return np.asarray(cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def grid_seen(picture: Image) -> GridSeen | None:
    """The largest checkerboard grid in the picture; None where none of 3 x 3 inner corners or more is seen."""
    image = _scanned(picture)
    if min(image.shape) < 20:
        return None
    flags = cv2.CALIB_CB_LARGER | cv2.CALIB_CB_EXHAUSTIVE
    found, px, meta = cv2.findChessboardCornersSBWithMeta(image, (3, 3), flags)
    if not found or meta is None:
        return None
    rows, columns = meta.shape
    whole = _ends_there(image, np.asarray(px, dtype=float).reshape(rows, columns, 2))
    return GridSeen(max(columns, rows), min(columns, rows), whole)


def _ends_there(image: Image, grid: Array) -> bool:
    """Whether the squares around the grid still alternate, and what lies beyond is as light as white ones."""
    rows, columns = grid.shape[:2]
    at = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2).astype(float)
    h, _ = cv2.findHomography(at, grid.reshape(-1, 2))
    if h is None:
        return False

    def level(x: Array, y: Array) -> Array:
        px = cv2.perspectiveTransform(np.stack([x, y], axis=-1).reshape(-1, 1, 2), h)[:, 0]
        i = np.rint(px).astype(int)
        inside = ((i >= 0) & (i < image.shape[::-1])).all(axis=1)
        i = np.clip(i, 0, np.array(image.shape[::-1]) - 1)
        return np.where(inside, image[i[:, 1], i[:, 0]].astype(float), np.nan)

    x, y = np.meshgrid(np.arange(-0.5, columns), np.arange(-0.5, rows))
    even = np.rint(np.add(x, y)).ravel() % 2 == 0
    squares = level(x, y)
    halves = float(np.nanmedian(squares[even])), float(np.nanmedian(squares[~even]))
    dark, light = min(halves), max(halves)
    is_dark = even if halves[0] < halves[1] else ~even
    step = _DARK_LIGHT * (light - dark)
    if not (np.where(is_dark, np.abs(squares - dark), np.abs(squares - light)) < step).all():
        return False
    # a quarter square beyond the outer squares: the rim; where the pattern runs on, every other place is dark
    along_x, along_y = np.arange(-0.5, columns), np.arange(-0.5, rows)
    far_x, far_y = np.array([-1.25, columns + 0.25]), np.array([-1.25, rows + 0.25])
    rim = np.concatenate([level(*np.meshgrid(along_x, far_y)), level(*np.meshgrid(far_x, along_y))])
    return bool((rim > light - step).all())


def _blanked(picture: Image, corners: Corners, board: Board) -> Image:
    """The picture with the board that was found, and a square around it, painted over."""
    image = grey(picture).copy()
    at = board.points_m()[corners.ids, :2] / board.square_m
    h, _ = cv2.findHomography(at, np.asarray(corners.px))
    low, right, bottom = -2.0, board.columns + 1.0, board.rows + 1.0
    outline = np.array([[low, low], [right, low], [right, bottom], [low, bottom]])
    px = cv2.perspectiveTransform(outline[:, None], h)
    cv2.fillConvexPoly(image, np.rint(px).astype(np.int32), float(image.mean()))
    return image


def any_markers_seen(picture: Image, first_bits: int = 4) -> MarkersSeen | None:
    """The markers of a ChArUco board of any dictionary; None where no layout of six or more is seen."""
    for bits in sorted((4, 5, 6, 7), key=lambda n: n != first_bits):
        seen = markers_seen(picture, bits)
        if seen is not None:
            return seen
    return None


def markers_seen(picture: Image, bits: int) -> MarkersSeen | None:
    """The markers of one family and the layout that their numbers fit; None where six or more do not lie so.

    The families' smaller dictionaries are the first markers of the larger ones, so one search serves all.
    """
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARIES[f"{bits}x{bits}_1000"])
    quads, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(_scanned(picture))
    if ids is None or len(ids) < _LEAST_MARKERS:
        return None
    numbers = np.ravel(ids).astype(np.intp)
    px = np.array(quads, dtype=float).reshape(-1, 4, 2)
    alone, times = np.unique(numbers, return_counts=True)
    if (times > 1).sum() >= 3:
        return MarkersSeen(bits, 0, "black", int(alone.max()))
    best = sorted(
        ((_fitting(numbers, px, across, first), across, first) for across in range(4, 62) for first in (0, 1)),
        reverse=True,
    )
    (most, across, first), (second, _, _) = best[0], best[1]
    if most < max(_LEAST_MARKERS, 0.8 * len(numbers)) or second == most:
        return None
    return MarkersSeen(bits, across, ("black", "white")[first], int(numbers.max()))


def _fitting(numbers: Ids, px: Array, across: int, first_white: int) -> int:
    """How many markers lie where a board with `across` squares in a row has them."""
    middle = _white_squares(across, first_white, int(numbers.max()) + 1)[numbers] + 0.5
    half = _MARKER_SHARE / 2
    corner = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    want = middle[:, None] + corner
    h, _ = cv2.findHomography(px.reshape(-1, 2), want.reshape(-1, 2))  # plain: RANSAC takes 50 times as long
    if h is None:
        return 0
    got = cv2.perspectiveTransform(px.reshape(-1, 1, 2), h).reshape(-1, 4, 2)
    return int((np.linalg.norm(got - want, axis=-1).max(axis=1) < _FIT_SQUARES).sum())


def _white_squares(across: int, first_white: int, count: int) -> Array:
    """(count, 2) column and row of the first white squares, row by row."""
    column, row = np.meshgrid(np.arange(across), np.arange(2 * count // across + 2))
    white = (column + row + first_white) % 2 == 1
    return np.column_stack([column[white], row[white]])[:count].astype(float)
