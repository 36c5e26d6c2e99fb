"""screens.toml: what was measured by hand, per side, in the unit that its name ends with."""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, ConfigDict, ValidationError, model_validator

from calibration.errors import BadInput
from calibration.files import StrictModel, first_fault

SCREENS_FILE = "screens.toml"


class Sides(StrictModel):
    """One screen per side; of several trials the mean. None where that side was not taken."""

    model_config = ConfigDict(frozen=True)

    left: float | None = None
    right: float | None = None

    @model_validator(mode="after")
    def _one_side(self) -> Sides:
        if self.left is None and self.right is None:
            raise ValueError("want left, right or both")
        return self

    @property
    def apart(self) -> float | None:
        """Difference of the sides without its sign; None unless both were taken."""
        return None if self.left is None or self.right is None else abs(self.left - self.right)


def _trials(low: float, high: float) -> Callable[[object], object]:
    """Turns lists of trials into their mean, after checking each against what such a screen can read."""

    def check(value: object) -> object:
        if not isinstance(value, dict):
            return value  # the form itself says what was wanted
        return {side: mean(trials) for side, trials in value.items()}

    def mean(trials: object) -> object:
        rows = trials if isinstance(trials, list) else [trials]
        if not rows:
            raise ValueError("want at least one trial in a list")
        for row in rows:
            if isinstance(row, bool) or not isinstance(row, int | float):
                raise ValueError(f"want a number or a list of numbers, got {row!r}")
            if not low <= row <= high:
                raise ValueError(f"want {low:g} to {high:g}, got {row:g}")
        return sum(rows) / len(rows)

    return check


_WallCm = Annotated[Sides, BeforeValidator(_trials(0, 30))]
_Deg = Annotated[Sides, BeforeValidator(_trials(0, 90))]
_Seconds = Annotated[Sides, BeforeValidator(_trials(0, 600))]
_ReachCm = Annotated[Sides, BeforeValidator(_trials(10, 180))]
_LimbCm = Annotated[Sides, BeforeValidator(_trials(30, 130))]


class Screens(StrictModel):
    """The keys of screens.toml; docs/files.md explains each."""

    model_config = ConfigDict(frozen=True)

    date: datetime.date | None = None
    taken_by: str = ""
    knee_to_wall_cm: _WallCm | None = None
    shank_angle_deg: _Deg | None = None
    hip_internal_rotation_deg: _Deg | None = None
    hip_external_rotation_deg: _Deg | None = None
    stance_eyes_open_s: _Seconds | None = None
    stance_eyes_closed_s: _Seconds | None = None
    reach_anterior_cm: _ReachCm | None = None
    reach_posteromedial_cm: _ReachCm | None = None
    reach_posterolateral_cm: _ReachCm | None = None
    limb_length_cm: _LimbCm | None = None


def load_screens(path: Path) -> Screens:
    """Read and check a file of screens. Raises BadInput naming file, key, what was wanted and what came."""
    if not path.is_file():
        raise BadInput(f"{path}: want a file of screens, found none")
    try:
        return Screens.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{path}: not valid TOML: {error}") from error
    except ValidationError as error:
        raise BadInput(f"{path}: {first_fault(error)}") from error


def find_screens(sessions: Sequence[Path]) -> Path | None:
    """The file of screens in the session folders, else in the folders they lie in; None without one.

    Raises BadInput where there are several: which one belongs to the player, only a person can say.
    """
    folders = [f.resolve() for f in sessions]
    for places in ({f / SCREENS_FILE for f in folders}, {f.parent / SCREENS_FILE for f in folders}):
        found = sorted(p for p in places if p.is_file())
        if len(found) > 1:
            named = ", ".join(str(p) for p in found)
            raise BadInput(
                f"want one {SCREENS_FILE} for these sessions, or one named with --screens; got {named}"
            )
        if found:
            return found[0]
    return None
