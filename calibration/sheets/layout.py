"""Which part of a board goes on which page, in millimetres: one sheet, or a poster in tiles to cut and glue."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.board import CHARUCO, CHECKERBOARD, Board
from calibration.errors import BadInput
from calibration.sheets.pattern import RIM_SQUARES, Rectangle, art_size_mm

PAPERS_MM = {"a4": (210.0, 297.0), "a3": (297.0, 420.0), "letter": (215.9, 279.4)}
"""Width and height, upright. Source: ISO 216; ANSI/ASME Y14.1."""

EDGE_MM = 6.0  # few printers reach closer to the paper's edge (common practice)
RULER_MM = 11.0  # room for a ruler beside the pattern
TEXT_MM = {"sheet": 32.0, "tile": 9.0}  # room for words below the ruler
OVERLAP_MM = 10.0  # of neighbouring tiles: enough to glue, seen through against a window while aligning
SEAM_SQUARES = 0.3  # no seam is nearer to a line of corners: a corner is measured in a window of that reach
POSTER_SQUARE_MM = 100.0  # about 15 px at 10 m in a full HD picture that shows 12 m across
_MARKER_SHARE = 0.7  # of a square: corners are measured twice as well as with 0.8, markers read as far


@dataclass(frozen=True, slots=True)
class Page:
    """One page: what it shows of the pattern, in the pattern's millimetres.

    row, column  from 0, in the poster
    own          what stays visible once the tiles are joined: these cover the pattern without gap or overlap
    printed      own and, towards the right and lower neighbours, the strip that is glued under them
    """

    row: int
    column: int
    own: Rectangle
    printed: Rectangle


@dataclass(frozen=True, slots=True)
class Plan:
    """A board on paper.

    size_mm  width and height of a page as it is printed
    at_mm    where the printed part begins on each page: from the left and from the top
    room_mm  width and height that a page has for it
    """

    board: Board
    paper: str
    size_mm: tuple[float, float]
    at_mm: tuple[float, float]
    room_mm: tuple[float, float]
    pages: tuple[Page, ...]

    @property
    def is_poster(self) -> bool:
        """Whether it takes more than one page."""
        return len(self.pages) > 1


def board_for_paper(
    paper: str, *, kind: str = CHECKERBOARD, columns: int = 9, rows: int = 6, square_mm: float | None = None,
    marker_mm: float | None = None, dictionary: str | None = None,
) -> Board:  # fmt: skip
    """The board to print: squares of the largest whole millimetre that the paper holds, 100 mm on a poster.

    A ChArUco board's markers are 0.7 of a square where their size is not given.
    Raises BadInput for an unknown paper, or where no board of that many corners fits.
    """
    if square_mm is None:
        square_mm = POSTER_SQUARE_MM if paper == "poster" else _largest_square(paper, columns, rows)
    if kind == CHARUCO:
        marker_mm = round(_MARKER_SHARE * square_mm, 1) if marker_mm is None else marker_mm
        dictionary = dictionary or "4x4_250"
    marker_m = None if marker_mm is None else marker_mm / 1e3
    return Board(columns, rows, square_mm / 1e3, kind=kind, marker_m=marker_m, dictionary=dictionary)


def plan_sheet(board: Board, paper: str) -> Plan:
    """The whole board on one page, upright or across, whichever has more room. BadInput if it is too large."""
    width, height = art_size_mm(board)
    fits = [
        (min(room[0] - width, room[1] - height), size, room)
        for size in _ways(paper)
        if (room := _room(size, "sheet"))[0] >= width and room[1] >= height
    ]
    if not fits:
        raise BadInput(
            f"board: {board.columns} x {board.rows} inner corners with squares of {board.square_m * 1e3:g} mm "
            f"take {width:.0f} x {height:.0f} mm with their rim, more than {paper} paper holds beside rulers "
            f"and words; the largest squares that fit have "
            f"{_largest_square(paper, board.columns, board.rows):g} mm, or print a poster"
        )
    _, size, room = max(fits)
    whole = (0.0, 0.0, width, height)
    return Plan(board, paper, size, (EDGE_MM + RULER_MM, EDGE_MM), room, (Page(0, 0, whole, whole),))


def plan_poster(board: Board, paper: str) -> Plan:
    """The board over as few pages as it takes, upright or across, row after row."""
    plans = []
    for size in _ways(paper):
        room = _room(size, "tile")
        across = _seams(board.columns + 1, board.square_m * 1e3, room[0] - OVERLAP_MM)
        down = _seams(board.rows + 1, board.square_m * 1e3, room[1] - OVERLAP_MM)
        plans.append(Plan(board, paper, size, (EDGE_MM + RULER_MM, EDGE_MM), room, _tiles(across, down)))
    return min(plans, key=lambda plan: len(plan.pages))


def _ways(paper: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """The paper's size, upright and across."""
    if paper not in PAPERS_MM:
        raise BadInput(f"paper: want {', '.join(PAPERS_MM)}, got {paper!r}")
    width, height = PAPERS_MM[paper]
    return (width, height), (height, width)


def _room(size_mm: tuple[float, float], use: str) -> tuple[float, float]:
    return size_mm[0] - 2 * EDGE_MM - RULER_MM, size_mm[1] - 2 * EDGE_MM - RULER_MM - TEXT_MM[use]


def _largest_square(paper: str, columns: int, rows: int) -> float:
    """In whole millimetres."""
    rim = 1 + 2 * RIM_SQUARES
    best = max(
        min(room[0] / (columns + rim), room[1] / (rows + rim))
        for room in (_room(size, "sheet") for size in _ways(paper))
    )
    if best < 2:
        raise BadInput(f"board: {columns} x {rows} inner corners do not fit on {paper} paper")
    return float(math.floor(best))


def _seams(squares: int, side: float, longest: float) -> list[float]:
    """Where the pattern is divided along one direction, from 0 to its length; no part exceeds `longest`."""
    length = (squares + 2 * RIM_SQUARES) * side
    seams = [0.0]
    while length - seams[-1] > longest:
        seam = seams[-1] + longest
        # how far the seam lies past the last line of corners, in squares
        past = (seam / side - RIM_SQUARES) % 1.0
        if past < SEAM_SQUARES:
            seam -= (past + SEAM_SQUARES) * side
        elif past > 1 - SEAM_SQUARES:
            seam -= (past - (1 - SEAM_SQUARES)) * side
        if seam <= seams[-1]:
            raise BadInput(f"board: squares of {side:g} mm are too large for these pages; take larger pages")
        seams.append(seam)
    return [*seams, length]


def _tiles(across: list[float], down: list[float]) -> tuple[Page, ...]:
    pages = []
    for row in range(len(down) - 1):
        for column in range(len(across) - 1):
            x, y = across[column], down[row]
            width, height = across[column + 1] - x, down[row + 1] - y
            under_right = OVERLAP_MM if column + 2 < len(across) else 0.0
            under_below = OVERLAP_MM if row + 2 < len(down) else 0.0
            # the last part may be shorter than the strip would be
            right = min(width + under_right, across[-1] - x)
            below = min(height + under_below, down[-1] - y)
            pages.append(Page(row, column, (x, y, width, height), (x, y, right, below)))
    return tuple(pages)
