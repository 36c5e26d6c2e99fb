"""What a person writes to describe one serve: the session folder and its session.toml."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from calibration.errors import BadInput
from calibration.history import find_calibration


class TapeColours(BaseModel):
    """Hue of the bright tape on the racket, degrees on the colour circle (0 red, 120 green, 240 blue).

    Any saturated colours that nothing else moving has; skin lies near 20, so orange and red tape do badly.
    edge_hue_deg: of tape on both sides of the head, sought only where it is given.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    tip_hue_deg: Annotated[float, Field(ge=0, lt=360)] = 318.0
    throat_hue_deg: Annotated[float, Field(ge=0, lt=360)] = 190.0
    butt_hue_deg: Annotated[float, Field(ge=0, lt=360)] = 140.0
    ball_hue_deg: Annotated[float, Field(ge=0, lt=360)] = 70.0
    edge_hue_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    tolerance_deg: Annotated[float, Field(gt=0, le=30)] = 14.0

    @property
    def hues_deg(self) -> tuple[float, float, float, float]:
        """In the order of the points: tip, throat, butt, ball."""
        return self.tip_hue_deg, self.throat_hue_deg, self.butt_hue_deg, self.ball_hue_deg


class ToldShutter(BaseModel):
    """How one camera reads its sensor, as a person knows it; what is left out is not known."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    readout_ms: Annotated[float, Field(ge=0, le=100)] | None = None
    u_ms: Annotated[float, Field(ge=0, le=100)] | None = None
    first_side: Literal["top", "bottom", "left", "right"] | None = None

    @model_validator(mode="after")
    def _u_of_something(self) -> ToldShutter:
        if self.u_ms is not None and self.readout_ms is None:
            raise ValueError("want readout_ms beside u_ms, which is its uncertainty")
        return self


class GivenClock(BaseModel):
    """How far rig time is ahead of one camera's own, as a person knows it from elsewhere."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    offset_s: float
    u_ms: Annotated[float, Field(gt=0)]


class CameraSound(BaseModel):
    """One camera's sound: its file, if not the video, and by how much that stamps sound later than pictures."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    file: str | None = None
    skew_ms: float = 0.0
    u_ms: Annotated[float, Field(gt=0)] | None = None


class Sound(BaseModel):
    """That sound is to be listened to, and the air it comes through; every video's where none is named."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    air_c: Annotated[float, Field(ge=-40, le=60)] = 20.0
    u_air_c: Annotated[float, Field(gt=0)] = 10.0
    camera: dict[str, CameraSound] = Field(default_factory=dict)


class Labels(BaseModel):
    """What kind of serve it was: serves with unlike labels are compared with a warning only.

    effort_percent of the player's hardest; ball: the stages of the game's own starter programme, red the
    softest, full the usual ball; racket_length_m from the end of the handle to the far end of the frame.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    type: Literal["flat", "kick", "slice"] | None = None
    side: Literal["deuce", "advantage"] | None = None
    effort_percent: Annotated[float, Field(gt=0, le=100)] | None = None
    landed: Literal["in", "out"] | None = None
    ball: Literal["red", "orange", "green", "full"] | None = None
    racket_length_m: Annotated[float, Field(ge=0.4, le=0.74)] | None = None


class SessionFile(BaseModel):
    """The keys of session.toml; docs/files.md explains each."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    rig: str
    athlete: str = ""
    handedness: Literal["right", "left"]
    height_m: Annotated[float, Field(gt=0.8, lt=2.5)] | None = None
    age_years: Annotated[float, Field(ge=4, le=110)] | None = None
    game: Literal["singles", "doubles"] | None = None
    serve: Labels = Labels()
    keypoints: str | None = None
    keypoints_mode: str | None = None
    cameras: tuple[str, ...] | None = None
    video: dict[str, str] = Field(default_factory=dict)
    window: dict[str, tuple[Annotated[float, Field(ge=0)], float]] = Field(default_factory=dict)
    video_rate: dict[str, Annotated[float, Field(gt=0)] | Literal["as stamped"]] = Field(default_factory=dict)
    server: dict[str, tuple[float, float]] = Field(default_factory=dict)
    shutter: dict[str, ToldShutter] = Field(default_factory=dict)
    clock: dict[str, GivenClock] = Field(default_factory=dict)
    sound: Sound | None = None
    flash: bool = False
    tape: TapeColours = TapeColours()

    @model_validator(mode="after")
    def _windows_last(self) -> SessionFile:
        for name, (start, stop) in self.window.items():
            if not start < stop:
                raise ValueError(f"[window] {name}: want its end after its start")
        return self

    def measured_by(self) -> str:
        """SHA-256 (hex) of all that results depend on; what names or compares serves does not count, nor does
        how the file is laid out.
        """
        serve = self.serve.model_copy(update={"type": None, "effort_percent": None, "landed": None})
        bare = self.model_copy(update={"athlete": "", "age_years": None, "serve": serve})
        told = bare.model_dump(mode="json", exclude_defaults=True)
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Session:
    """One serve: where it lies and what was written about it.

    Paths in session.toml are relative to the session folder. All derived files stay in `derived`.
    rig_version: beginning of the hash of a calibration in the rig's history; the rig's current one where None.
    """

    folder: Path
    file: SessionFile
    rig_version: str | None = None

    @property
    def derived(self) -> Path:
        """Folder of everything the program makes for this session."""
        return self.folder / "derived"

    @property
    def rig_path(self) -> Path:
        """The calibrated rig file: named itself, inside the named rig folder, or in that rig's history.

        Raises BadInput where the history does not hold the version asked for.
        """
        path = (self.folder / self.file.rig).resolve()
        current = path / "derived" / "calibrated_rig.json" if path.is_dir() else path
        return current if self.rig_version is None else find_calibration(current, self.rig_version).path

    @property
    def camera_names(self) -> tuple[str, ...]:
        """Cameras to use: those listed under `cameras`, else all with a video."""
        return self.file.cameras if self.file.cameras is not None else tuple(self.file.video)

    def video_path(self, camera: str) -> Path:
        """The video of one camera. Raises BadInput where none is named."""
        if camera not in self.file.video:
            raise BadInput(
                f"{self.folder / 'session.toml'}: [video]: no video for camera {camera!r}; "
                f"there are {sorted(self.file.video)}"
            )
        return (self.folder / self.file.video[camera]).resolve()

    def window_s(self, camera: str) -> tuple[float, float] | None:
        """The stretch of a camera's video that is meant, on its own clock; None where it is all of it."""
        return self.file.window.get(camera)


def load_session(folder: Path) -> Session:
    """Read and check a session folder.

    Raises BadInput naming the file, the key, what was wanted and what came.
    """
    path = Path(folder) / "session.toml"
    if not path.is_file():
        raise BadInput(f"{path}: want a session folder with a session.toml, found none")
    try:
        parsed = SessionFile.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{path}: not valid TOML: {error}") from error
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise BadInput(f"{path}: {key}: {first['msg'].lower()}, got {first['input']!r}") from error
    session = Session(Path(folder), parsed)
    names = session.camera_names
    if len(set(names)) != len(names):
        raise BadInput(f"{path}: cameras: want each camera once, got {list(names)}")
    for name in (*parsed.video_rate, *parsed.window):
        session.video_path(name)
    if parsed.keypoints is None:
        for name in names:
            session.video_path(name)
    return session
