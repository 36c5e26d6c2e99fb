"""The [board] table of rig.toml: read, checked, and written out for a printed sheet."""

from __future__ import annotations

from pydantic import Field

from calibration.board import CHECKERBOARD, Board
from calibration.errors import BadInput
from calibration.files import StrictModel


class BoardForm(StrictModel):
    """The keys of [board]. The squares' side is given as such, or as a length measured over several squares."""

    columns: int
    rows: int
    kind: str = CHECKERBOARD
    square_mm: float | None = Field(default=None, gt=0)
    square_u_mm: float | None = Field(default=None, ge=0)
    measured_mm: float | None = Field(default=None, gt=0)
    measured_squares: int | None = Field(default=None, ge=1)
    measured_u_mm: float | None = Field(default=None, ge=0)
    flat_u_mm: float = Field(default=3.0, ge=0)
    marker_mm: float | None = Field(default=None, gt=0)
    dictionary: str | None = None

    def to_board(self) -> Board:
        """The board. Raises BadInput, in one line, where keys are missing or contradict each other."""
        square_mm, square_u_mm = self._square()
        return Board(
            self.columns,
            self.rows,
            square_mm / 1e3,
            square_u_mm / 1e3,
            self.flat_u_mm / 1e3,
            self.kind,
            None if self.marker_mm is None else self.marker_mm / 1e3,
            self.dictionary,
        )

    def _square(self) -> tuple[float, float]:
        """Side of a square and its standard uncertainty, millimetres."""
        measured = {
            "measured_mm": self.measured_mm,
            "measured_squares": self.measured_squares,
            "measured_u_mm": self.measured_u_mm,
        }
        given = [key for key, value in measured.items() if value is not None]
        if not given:
            if self.square_mm is None:
                raise BadInput("board: want square_mm, or measured_mm with measured_squares, got neither")
            return self.square_mm, self.square_u_mm or 0.0
        stated = [key for key in ("square_mm", "square_u_mm") if getattr(self, key) is not None]
        if stated:
            raise BadInput(
                f"board: want the squares' side once, as square_mm or as measured_mm over measured_squares, "
                f"got {' and '.join(stated)} beside {' and '.join(given)}"
            )
        if self.measured_mm is None or self.measured_squares is None or self.measured_u_mm is None:
            missing = [key for key in measured if key not in given]
            raise BadInput(
                f"board: {' and '.join(given)} wants {' and '.join(missing)} too: the length, the number of "
                "squares that it spans, and its standard uncertainty"
            )
        most = max(self.columns, self.rows) + 1
        if self.measured_squares > most:
            raise BadInput(
                f"board: measured_squares: want at most the {most} squares of the longer side, "
                f"got {self.measured_squares}"
            )
        return self.measured_mm / self.measured_squares, self.measured_u_mm / self.measured_squares


def measured_lines(board: Board, squares: int, u_mm: float) -> list[str]:
    """The [board] table, line by line, as it stands once the print is measured over `squares` squares.

    measured_mm holds the length that was meant to be printed; the reading takes its place.
    """
    lines = ["[board]", f'kind = "{board.kind}"', f"columns = {board.columns}", f"rows = {board.rows}"]
    if board.marker_m is not None:
        lines += [f"marker_mm = {board.marker_m * 1e3:g}", f'dictionary = "{board.dictionary}"']
    return [
        *lines,
        f"measured_mm = {board.square_m * 1e3 * squares:.1f}",
        f"measured_squares = {squares}",
        f"measured_u_mm = {u_mm:g}",
    ]
