"""plan.toml: the court, the places where cameras may go, lenses, frame rates, light and goals."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import Field, ValidationError, field_validator, model_validator

from calibration import Array, BadInput, Board, CourtOptions
from calibration.files import StrictModel, first_fault
from calibration.planning import CalibrationPlan, focal_of_view_px
from recon.planning.headline import ROWS
from recon.planning.sight import Wall, net_walls
from recon.wording import scale_of

_MOST_PLACES = 200  # per camera: beyond that a search takes longer than anyone waits

Pair = tuple[float, float]
Triple = tuple[float, float, float]
_Height = Annotated[float, Field(ge=0.2, le=15.0)]


class _AllowedForm(StrictModel):
    """A point (at_m), a wall or fence line (from_m, to_m, heights_m, steps) or a box (low_m, high_m, steps)."""

    at_m: Triple | None = None
    from_m: Pair | None = None
    to_m: Pair | None = None
    heights_m: list[_Height] = Field(default_factory=list)
    low_m: Triple | None = None
    high_m: Triple | None = None
    steps: Annotated[int, Field(ge=2, le=20)] = 4

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        point, line = self.at_m is not None, self.from_m is not None or self.to_m is not None
        box = self.low_m is not None or self.high_m is not None
        if point + line + box != 1:
            raise ValueError("want exactly one of at_m, from_m with to_m and heights_m, or low_m with high_m")
        if line and (self.from_m is None or self.to_m is None or not self.heights_m):
            raise ValueError("want from_m, to_m and heights_m together")
        if box and (self.low_m is None or self.high_m is None):
            raise ValueError("want low_m and high_m together")
        return self

    def places_m(self) -> list[Triple]:
        """Every place that this entry allows."""
        if self.at_m is not None:
            return [self.at_m]
        if self.from_m is not None and self.to_m is not None:
            along = np.linspace(self.from_m, self.to_m, self.steps)
            return [(float(x), float(y), z) for z in self.heights_m for x, y in along]
        axes = [
            np.unique(np.linspace(a, b, self.steps))
            for a, b in zip(self.low_m or (), self.high_m or (), strict=True)
        ]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        return [(float(x), float(y), float(z)) for x, y, z in grid]


class _CameraForm(StrictModel):
    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$")]
    size_px: tuple[Annotated[int, Field(ge=160)], Annotated[int, Field(ge=120)]]
    focal_px: Annotated[float, Field(gt=50)] | None = None
    field_of_view_deg: Annotated[float, Field(gt=5, lt=120)] | None = None
    frame_rate: Annotated[float, Field(ge=25, le=2000)]
    exposure_ms: Annotated[float, Field(gt=0)]
    readout_ms: Annotated[float, Field(ge=0)] = 0.0
    f_number: Annotated[float, Field(gt=0.5, lt=64)] | None = None
    iso: Annotated[float, Field(ge=25)] | None = None
    look_at_m: Triple | None = None
    allowed: Annotated[list[_AllowedForm], Field(min_length=1)]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if (self.focal_px is None) == (self.field_of_view_deg is None):
            raise ValueError("want one of focal_px and field_of_view_deg")
        if self.exposure_ms * self.frame_rate > 1000:
            frame_ms = f"{1000 / self.frame_rate:.3g}"
            raise ValueError(f"exposure_ms: want at most one frame, {frame_ms} ms, got {self.exposure_ms:g}")
        return self


class _BoardForm(StrictModel):
    columns: int = 9
    rows: int = 6
    square_mm: Annotated[float, Field(gt=0)] = 100.0
    square_u_mm: Annotated[float, Field(ge=0)] = 0.0
    corner_u_px: float = 0.2
    lens_views: int = 20
    shared_views: int = 20


class _CourtForm(StrictModel):
    click_u_px: float = 0.7
    paint_u_mm: float = 3.0
    net_hides: bool = True


class _ScreenForm(StrictModel):
    from_m: Pair
    to_m: Pair
    height_m: Annotated[float, Field(gt=0)]


class _AthleteForm(StrictModel):
    height_m: Annotated[float, Field(ge=1.0, le=2.3)] = 1.80
    handedness: Literal["right", "left"] = "right"
    front_toe_x_m: Annotated[float, Field(ge=-5, le=5)] = 0.4


class _RacketForm(StrictModel):
    tip_speed_m_s: Annotated[float, Field(gt=0, le=80)] = 45.0
    blur_limit_px: Annotated[float, Field(gt=0)] = 4.0


class PlanForm(StrictModel):
    """The keys of plan.toml; docs/files.md explains each."""

    name: Annotated[str, Field(min_length=1)]
    choose: Annotated[int, Field(ge=2, le=8)] | None = None
    clock_u_ms: Annotated[float, Field(ge=0)] = 0.3
    lux: Annotated[float, Field(gt=0)] | None = None
    athlete: _AthleteForm = Field(default_factory=_AthleteForm)
    racket: _RacketForm = Field(default_factory=_RacketForm)
    board: _BoardForm = Field(default_factory=_BoardForm)
    court: _CourtForm = Field(default_factory=_CourtForm)
    goals: dict[str, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)
    screen: list[_ScreenForm] = Field(default_factory=list)
    camera: Annotated[list[_CameraForm], Field(min_length=2, max_length=8)]

    @field_validator("goals")
    @classmethod
    def _known(cls, goals: dict[str, float]) -> dict[str, float]:
        names = [row.name for row in ROWS]
        for name in goals:
            if name not in names:
                raise ValueError(f"want one of {', '.join(names)}, got {name!r}")
        return goals

    @model_validator(mode="after")
    def _enough(self) -> Self:
        names = [c.name for c in self.camera]
        if len(set(names)) < len(names):
            raise ValueError(f"camera: want each name once, got {', '.join(names)}")
        if self.choose is not None and self.choose > len(names):
            raise ValueError(f"choose: want at most the {len(names)} cameras listed, got {self.choose}")
        return self


@dataclass(frozen=True, slots=True)
class PlannedCamera:
    """One camera to mount. places_m: the first is where it is planned now. f_number, iso: None if not given."""

    name: str
    size_px: tuple[int, int]
    focal_px: float
    frame_rate_hz: float
    exposure_s: float
    readout_s: float
    look_at_m: Triple
    places_m: tuple[Triple, ...]
    f_number: float | None = None
    iso: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """plan.toml, checked, SI units. goals_si: row name -> wished expanded uncertainty (k = 2)."""

    name: str
    cameras: tuple[PlannedCamera, ...]
    choose: int
    clock_u_s: float
    height_m: float
    handedness: str
    front_toe_x_m: float
    tip_speed_m_s: float
    blur_limit_px: float
    calibration: CalibrationPlan
    walls: tuple[Wall, ...] = ()
    lux: float | None = None
    goals_si: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def slowest_hz(self) -> float:
        """The lowest frame rate among the cameras."""
        return min(c.frame_rate_hz for c in self.cameras)

    def middle_m(self) -> Array:
        """(3,) where a camera looks unless told otherwise: the middle of the serve, shoes to racket tip."""
        return _middle_m(self.front_toe_x_m, self.height_m)


def _middle_m(front_toe_x_m: float, height_m: float) -> Array:
    return np.array([front_toe_x_m, 0.0, 0.87 * height_m])


def load_plan(path: Path | str) -> Plan:
    """Read and check a plan. Raises BadInput naming the file, the key, what was wanted and what came."""
    path = Path(path)
    try:
        form = PlanForm.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise BadInput(f"{path}: want a plan.toml, could not read it: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: not valid TOML: {error}") from error
    except ValidationError as error:
        raise BadInput(f"{path}: {first_fault(error)}") from error
    try:
        return _plan(form)
    except BadInput as error:
        raise BadInput(f"{path}: {error}") from error


def _plan(form: PlanForm) -> Plan:
    b, c = form.board, form.court
    calibration = CalibrationPlan(
        board=Board(b.columns, b.rows, b.square_mm / 1e3, b.square_u_mm / 1e3),
        lens_views=b.lens_views, shared_views=b.shared_views, corner_u_px=b.corner_u_px,
        court=CourtOptions(click_u_px=c.click_u_px, paint_u_m=c.paint_u_mm / 1e3),
    )  # fmt: skip
    walls = [*(net_walls() if c.net_hides else []), *((s.from_m, s.to_m, s.height_m) for s in form.screen)]
    goals = {row.name: form.goals[row.name] / scale_of(row.unit)[0] for row in ROWS if row.name in form.goals}
    middle = _middle_m(form.athlete.front_toe_x_m, form.athlete.height_m)
    return Plan(
        form.name, tuple(_camera(entry, middle) for entry in form.camera), form.choose or len(form.camera),
        form.clock_u_ms / 1e3, form.athlete.height_m, form.athlete.handedness, form.athlete.front_toe_x_m,
        form.racket.tip_speed_m_s, form.racket.blur_limit_px, calibration, tuple(walls), form.lux,
        MappingProxyType(goals),
    )  # fmt: skip


def _camera(form: _CameraForm, middle_m: Array) -> PlannedCamera:
    places = [place for entry in form.allowed for place in entry.places_m()]
    if len(places) > _MOST_PLACES:
        raise BadInput(
            f"camera {form.name}: want at most {_MOST_PLACES} places, got {len(places)}; take fewer steps"
        )
    focal = form.focal_px
    if focal is None:
        focal = focal_of_view_px(form.size_px[0], float(np.deg2rad(form.field_of_view_deg or 0.0)))
    look = form.look_at_m or (float(middle_m[0]), float(middle_m[1]), float(middle_m[2]))
    return PlannedCamera(
        form.name, form.size_px, focal, form.frame_rate, form.exposure_ms / 1e3, form.readout_ms / 1e3, look,
        tuple(dict.fromkeys(places)), form.f_number, form.iso,
    )  # fmt: skip
