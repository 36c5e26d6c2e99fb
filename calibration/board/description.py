"""What a calibration board is: its pattern, its corners and its measured size."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.checks import Array, checked
from calibration.errors import BadInput
from calibration.footage import Image

Ids = NDArray[np.intp]
"""(n,) which inner corners: indices into Board.points_m(), rising, each at most once."""

CHECKERBOARD, CHARUCO = "checkerboard", "charuco"
DICTIONARIES = {
    f"{n}x{n}_{count}": int(getattr(cv2.aruco, f"DICT_{n}X{n}_{count}"))
    for n in (4, 5, 6, 7)
    for count in (50, 100, 250, 1000)
}
"""Marker dictionaries by the name used in rig.toml: bits along a side, and how many markers there are.

Source: Garrido-Jurado S et al. (2014), Automatic generation and detection of highly reliable fiducial markers
under occlusion, Pattern Recognition 47:2280-2292 (OpenCV's predefined dictionaries).
"""
_MARKER_SHARE = (0.4, 0.9)  # of a square: smaller ones are hard to read, larger ones leave no light rim


def no_ids() -> Ids:
    """Stands for "all corners, in order" where a record is made without ids."""
    return np.empty(0, dtype=np.intp)


def checked_ids(ids: ArrayLike, count: int, name: str) -> Ids:
    """A read-only copy of `ids` after checking it against `count` corners; all in order where it is empty.

    Raises BadInput unless there is one index per corner, none negative, rising.
    """
    given = np.array(ids)
    out = given.astype(np.intp) if given.size else np.arange(count, dtype=np.intp)
    if out.shape != (count,):
        raise BadInput(f"{name}: want one index for each of {count} corners, got {out.shape}")
    if count and (out[0] < 0 or (np.diff(out) <= 0).any() or (given.size and (given != out).any())):
        raise BadInput(f"{name}: want whole numbers from 0 on, rising, got {given.tolist()}")
    out.flags.writeable = False
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """The inner corners of one board that are seen in one picture.

    px   (n, 2)
    ids  (n,) indices into Board.points_m(); left out: all corners in order
    """

    px: Array
    ids: Ids = field(default_factory=no_ids)

    def __post_init__(self) -> None:
        object.__setattr__(self, "px", checked(self.px, (None, 2), "corners"))
        object.__setattr__(self, "ids", checked_ids(self.ids, len(self.px), "corners' ids"))


@dataclass(frozen=True, slots=True)
class Board:
    """A flat board of black and white squares.

    columns, rows  inner corners, where four squares meet, along x and y; on a checkerboard x is the longer side
    square_m       side of a square
    square_u_m     standard uncertainty of square_m (one common scale error of the print)
    flat_u_m       how far the board may bow: standard uncertainty of its bow height along either side. Foam and
                   plywood of a metre bow by millimetres (common practice); 0 only for glass or stone
    kind           "checkerboard", or "charuco": a marker in every white square, so that each corner has a name
                   and a partly hidden board counts
    marker_m       side of a marker with its black border; charuco only
    dictionary     key of DICTIONARIES; charuco only. Markers are numbered row by row from the first corner on

    Board frame: origin at the first inner corner, x along the columns, y along the rows, z into the board as
    seen from its front. The square before the first corner (towards -x, -y) is black.
    """

    columns: int
    rows: int
    square_m: float
    square_u_m: float = 0.0
    flat_u_m: float = 0.003
    kind: str = CHECKERBOARD
    marker_m: float | None = None
    dictionary: str | None = None

    def __post_init__(self) -> None:
        if self.columns < 3 or self.rows < 3 or self.columns > 60 or self.rows > 60:
            raise BadInput(
                "board: want 3 to 60 inner corners along each side, "
                f"got columns = {self.columns}, rows = {self.rows}"
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
        if self.kind == CHECKERBOARD:
            self._check_checkerboard()
        elif self.kind == CHARUCO:
            self._check_charuco()
        else:
            raise BadInput(f'board: want kind = "{CHECKERBOARD}" or "{CHARUCO}", got {self.kind!r}')

    def _check_checkerboard(self) -> None:
        if self.columns <= self.rows:
            raise BadInput(
                "board: want more inner corners along the longer side (columns) than along the shorter (rows), "
                f"got columns = {self.columns}, rows = {self.rows}; a square board has no direction"
            )
        if self.marker_m is not None or self.dictionary is not None:
            raise BadInput(
                "board: a checkerboard has no markers; leave out marker_mm and dictionary, or say "
                f'kind = "{CHARUCO}"'
            )

    def _check_charuco(self) -> None:
        if self.marker_m is None or self.dictionary is None:
            missing = " and ".join(
                name for name in ("marker_mm", "dictionary") if getattr(self, name.replace("_mm", "_m")) is None
            )
            raise BadInput(f"board: a charuco board wants {missing}, got nothing")
        if self.dictionary not in DICTIONARIES:
            raise BadInput(f"board: want a dictionary of {', '.join(DICTIONARIES)}, got {self.dictionary!r}")
        low, high = _MARKER_SHARE
        if not low * self.square_m <= self.marker_m <= high * self.square_m:
            raise BadInput(
                f"board: want markers of {low * self.square_m * 1e3:g} to {high * self.square_m * 1e3:g} mm "
                f"in squares of {self.square_m * 1e3:g} mm, got {self.marker_m * 1e3:g} mm"
            )
        there = int(self.dictionary.split("_")[1])
        if self.markers > there:
            raise BadInput(
                f"board: {self.columns} x {self.rows} inner corners want {self.markers} markers, "
                f"but dictionary {self.dictionary} has {there}; take a larger one"
            )

    @property
    def looks_alike_upside_down(self) -> bool:
        """True where a half turn maps the pattern onto itself: a checkerboard, both counts even or both odd."""
        return self.kind == CHECKERBOARD and (self.columns + self.rows) % 2 == 0

    @property
    def count(self) -> int:
        """Inner corners in all."""
        return self.columns * self.rows

    @property
    def markers(self) -> int:
        """Markers on a charuco board, one in each white square; 0 on a checkerboard."""
        return 0 if self.kind == CHECKERBOARD else (self.columns + 1) * (self.rows + 1) // 2

    def points_m(self) -> Array:
        """(columns * rows, 3) inner corners in the board frame, row after row."""
        x, y = np.meshgrid(np.arange(self.columns), np.arange(self.rows))
        return np.asarray(
            np.stack([x, y, np.zeros_like(x)], axis=-1).reshape(-1, 3) * self.square_m, dtype=float
        )

    def centre_m(self) -> Array:
        """(3,) middle of the inner corners in the board frame."""
        return np.asarray(self.points_m().mean(axis=0), dtype=float)

    def grid_px(self, corners: Corners) -> Array:
        """(rows, columns, 2) where each inner corner is seen; NaN for those that are not."""
        grid = np.full((self.count, 2), np.nan)
        grid[corners.ids] = corners.px
        return grid.reshape(self.rows, self.columns, 2)


def grey(image: Image) -> Image:
    """(H, W) uint8 of a BGR or already grey picture."""
    return image if image.ndim == 2 else np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), dtype=np.uint8)
