"""racket_points.csv: one row is one point of the racket in one frame of one camera."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.errors import BadInput
from calibration.files import write_atomically
from recon.records import EDGES, RACKET

FILE_NAME = "racket_points.csv"
COLUMNS = ("camera", "frame", "time_s", "point", "u_px", "v_px", "sigma_px")
_NEEDED = ("camera", "point", "u_px", "v_px")
POINTS: tuple[str, ...] = (*RACKET, *EDGES)
"""Names that the file may hold: tip, throat, butt, and the head's edges where it is widest."""

CLICK_SIGMA_PX = 2.0
"""Standard uncertainty per axis of a row that states none: this project's assumption for a click on the edge of
a frame that is a few pixels thick and may be blurred."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the file. Of frame (0 is the video's first picture) and time_s (the camera's own) one is
    given.

    line: of the file, for messages; 0 where it comes from elsewhere.
    """

    camera: str
    point: str
    u_px: float
    v_px: float
    frame: int | None = None
    time_s: float | None = None
    sigma_px: float = CLICK_SIGMA_PX
    line: int = 0


def read_racket_points(path: Path) -> tuple[Row, ...]:
    """The file's rows, each checked by itself.

    Raises BadInput naming the line and what is wrong: a missing or unknown column, an unknown point, a value
    that is no number, neither or both of frame and time_s, a sigma that is not positive, two rows for one
    point of one frame.
    """
    rows: list[Row] = []
    lines: dict[tuple[str, str, float | int | None, bool], int] = {}
    for line, cells in _cells(path):
        row = _row(f"{path}: row {line}", line, cells)
        key = (row.camera, row.point, row.time_s if row.frame is None else row.frame, row.frame is None)
        if key in lines:
            raise BadInput(f"{path}: row {line}: {row.point} of this frame stands in row {lines[key]} too")
        lines[key] = line
        rows.append(row)
    return tuple(rows)


def _cells(path: Path) -> Iterator[tuple[int, dict[str, str]]]:
    if not path.is_file():
        raise BadInput(f"{path}: no such file")
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            table = csv.DictReader(file, skipinitialspace=True, strict=True)
            heads = [head.strip() for head in table.fieldnames or ()]
            table.fieldnames = heads
            lacking = [c for c in _NEEDED if c not in heads]
            if lacking or not {"frame", "time_s"} & set(heads):
                want = "camera, frame or time_s, point, u_px, v_px and perhaps sigma_px"
                raise BadInput(f"{path}: want columns {want}; got {', '.join(heads) or 'none'}")
            strange = [c for c in heads if c not in COLUMNS]
            if strange:
                raise BadInput(f"{path}: unknown column {strange[0]!r}; want {', '.join(COLUMNS)}")
            for cells in table:
                if None in cells or None in cells.values():
                    raise BadInput(f"{path}: row {table.line_num}: want {len(heads)} values")
                yield table.line_num, {head: value.strip() for head, value in cells.items()}
    except (csv.Error, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: want a CSV table: {error}") from error


def _row(where: str, line: int, cells: dict[str, str]) -> Row:
    if cells["point"] not in POINTS:
        raise BadInput(f"{where}: unknown point {cells['point']!r}; want one of {', '.join(POINTS)}")
    frame, time = cells.get("frame", ""), cells.get("time_s", "")
    if bool(frame) == bool(time):
        raise BadInput(f"{where}: want either frame or time_s, got {'both' if frame else 'neither'}")
    sigma = cells.get("sigma_px", "")
    row = Row(
        cells["camera"],
        cells["point"],
        _number(where, "u_px", cells["u_px"]),
        _number(where, "v_px", cells["v_px"]),
        _whole(where, frame) if frame else None,
        _number(where, "time_s", time) if time else None,
        _number(where, "sigma_px", sigma) if sigma else CLICK_SIGMA_PX,
        line,
    )
    if row.sigma_px <= 0:
        raise BadInput(f"{where}: sigma_px: want > 0, got {row.sigma_px:g}")
    return row


def _number(where: str, column: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadInput(f"{where}: {column}: want a number, got {text!r}; leave unseen points out")
    return value


def _whole(where: str, text: str) -> int:
    if not (text.isascii() and text.isdigit()):
        raise BadInput(f"{where}: frame: want a whole number, the video's first picture being 0, got {text!r}")
    return int(text)


def write_racket_points(path: Path, rows: Sequence[Row]) -> None:
    """Write the file that `read_racket_points` reads, whole or not at all, rows in order of camera and time."""
    ordered = sorted(
        rows, key=lambda r: (r.camera, r.time_s is not None, r.frame or 0, r.time_s or 0.0, r.point)
    )
    lines = [",".join(COLUMNS)]
    for r in ordered:
        frame = "" if r.frame is None else str(r.frame)
        time = "" if r.time_s is None else repr(float(r.time_s))
        place = f"{float(r.u_px)!r},{float(r.v_px)!r},{float(r.sigma_px)!r}"
        lines.append(f"{r.camera},{frame},{time},{r.point},{place}")
    write_atomically(path, "\n".join(lines) + "\n")
