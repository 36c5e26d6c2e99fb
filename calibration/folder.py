"""A rig folder as a user writes it: rig.toml, footage, clicks; and where derived files go."""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field, ValidationError, field_validator, model_validator

from calibration.board import Board
from calibration.board_form import BoardForm
from calibration.court.clicks import Click
from calibration.errors import BadInput
from calibration.files import StrictModel, first_fault, write_atomically

CLICKS_NAME = "court_clicks.csv"
CLICK_COLUMNS = ("camera", "point", "u_px", "v_px")
_CAMERA_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")


class _CameraForm(StrictModel):
    name: str
    lens_footage: str | None = None
    lens: str | None = None
    court_picture: str | None = None

    @field_validator("name")
    @classmethod
    def _plain(cls, name: str) -> str:
        if not _CAMERA_NAME.fullmatch(name):
            raise ValueError(f"want letters, digits, _ and - only, got {name!r}")
        return name

    @model_validator(mode="after")
    def _one_lens(self) -> _CameraForm:
        if (self.lens_footage is None) == (self.lens is None):
            given = "neither" if self.lens is None else "both"
            raise ValueError(f"{self.name}: want either lens_footage or lens (a kept lens file), got {given}")
        return self


class _SharedForm(StrictModel):
    footage: dict[str, str]


class _RigForm(StrictModel):
    name: str = Field(min_length=1)
    board: BoardForm
    camera: list[_CameraForm] = Field(min_length=1)
    shared: list[_SharedForm] = Field(default_factory=list)


@dataclass(frozen=True, slots=True)
class CameraEntry:
    """One [[camera]] of rig.toml with its paths made absolute; either lens_footage or lens is given.

    lens  a lens calibration that was made once and is kept, of this camera with this video mode
    """

    name: str
    lens_footage: Path | None
    court_picture: Path | None
    lens: Path | None = None


@dataclass(frozen=True, slots=True)
class RigFolder:
    """rig.toml, checked. shared: one mapping camera → footage per [[shared]]."""

    root: Path
    name: str
    board: Board
    cameras: tuple[CameraEntry, ...]
    shared: tuple[Mapping[str, Path], ...]

    @property
    def camera_names(self) -> tuple[str, ...]:
        """In the order of rig.toml; the first is the rig's reference."""
        return tuple(c.name for c in self.cameras)

    def camera(self, name: str) -> CameraEntry:
        """The named entry. Raises BadInput listing the cameras there are."""
        for entry in self.cameras:
            if entry.name == name:
                return entry
        raise BadInput(f"{self.root / 'rig.toml'}: no camera {name!r}; it has {', '.join(self.camera_names)}")

    def lens_path(self, camera: str) -> Path:
        """The kept lens file that rig.toml names, else derived/lens/<camera>.json."""
        return self.camera(camera).lens or self.root / "derived" / "lens" / f"{camera}.json"

    @property
    def rig_path(self) -> Path:
        """derived/rig.json: the cameras in the rig's own frame."""
        return self.root / "derived" / "rig.json"

    @property
    def calibrated_rig_path(self) -> Path:
        """derived/calibrated_rig.json: the cameras in the court; what sessions use."""
        return self.root / "derived" / "calibrated_rig.json"

    def line_picture_path(self, camera: str) -> Path:
        """derived/court_lines_<camera>.png: what was found of the painted lines."""
        return self.root / "derived" / f"court_lines_{camera}.png"

    @property
    def residuals_path(self) -> Path:
        """derived/rig_residuals.png: what the rig's fit leaves over."""
        return self.root / "derived" / "rig_residuals.png"

    @property
    def position_u_path(self) -> Path:
        """derived/position_u.png: how well calibration knows places around the server."""
        return self.root / "derived" / "position_u.png"

    @property
    def clicks_path(self) -> Path:
        """court_clicks.csv next to rig.toml."""
        return self.root / CLICKS_NAME


def read_rig_folder(root: Path | str) -> RigFolder:
    """The rig folder's description (a path to its rig.toml is also taken).

    Raises BadInput, in one line that names file, key, wanted and got; also for a camera listed twice, and for
    one named under [shared] that is no [[camera]].
    """
    root = Path(root)
    root = root.parent if root.name == "rig.toml" else root
    path = root / "rig.toml"
    data = read_toml(path)
    try:
        form = _RigForm.model_validate(data)
    except ValidationError as error:
        raise BadInput(f"{path}: {first_fault(error)}") from error
    names = [c.name for c in form.camera]
    for name in names:
        if names.count(name) > 1:
            raise BadInput(f"{path}: camera: {name!r} is listed twice")
    for number, shared in enumerate(form.shared, start=1):
        for name in shared.footage:
            if name not in names:
                raise BadInput(
                    f"{path}: shared.{number}.footage: {name!r} is not a [[camera]] of this rig; "
                    f"it has {', '.join(names)}"
                )
        if len(shared.footage) < 2:
            raise BadInput(f"{path}: shared.{number}.footage: want two cameras or more, got one")
    try:
        board = form.board.to_board()
    except BadInput as error:
        raise BadInput(f"{path}: {error}") from error
    cameras = tuple(
        CameraEntry(
            c.name, *(None if p is None else root / p for p in (c.lens_footage, c.court_picture, c.lens))
        )
        for c in form.camera
    )
    shared_sets = tuple({n: root / p for n, p in s.footage.items()} for s in form.shared)
    return RigFolder(root, form.name, board, cameras, shared_sets)


def read_toml(path: Path | str) -> dict[str, Any]:
    """A TOML file's content. Raises BadInput where it is missing or is no TOML, with the line."""
    path = Path(path)
    if not path.exists():
        raise BadInput(f"{path}: no such file")
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: not a TOML file ({error})") from error


def read_clicks(path: Path | str) -> list[Click]:
    """Court clicks from a CSV file with the columns camera, point, u_px, v_px.

    Raises BadInput naming file and line.
    """
    path = Path(path)
    if not path.exists():
        raise BadInput(f"{path}: no such file; click the court points first")
    try:
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (csv.Error, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: not a CSV file ({error})") from error
    head = tuple(c.strip() for c in rows[0]) if rows else ()
    if head != CLICK_COLUMNS:
        raise BadInput(
            f"{path}: line 1: want the columns {','.join(CLICK_COLUMNS)}, got {','.join(head) or 'nothing'}"
        )
    clicks = []
    for line, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(CLICK_COLUMNS):
            raise BadInput(f"{path}: line {line}: want {len(CLICK_COLUMNS)} values, got {len(row)}")
        try:
            clicks.append(Click(row[0].strip(), row[1].strip(), np.array([float(row[2]), float(row[3])])))
        except BadInput as error:
            raise BadInput(f"{path}: line {line}: {error}") from error
        except ValueError as error:
            raise BadInput(
                f"{path}: line {line}: u_px, v_px: want numbers, got {row[2]!r}, {row[3]!r}"
            ) from error
    if not clicks:
        raise BadInput(f"{path}: it holds no clicks")
    return clicks


def write_clicks(path: Path | str, clicks: Sequence[Click]) -> None:
    """Writes the CSV file that read_clicks reads, whole or not at all."""
    lines = [",".join(CLICK_COLUMNS)]
    lines += [f"{c.camera},{c.point},{float(c.uv_px[0])!r},{float(c.uv_px[1])!r}" for c in clicks]
    write_atomically(path, "\n".join(lines) + "\n")
