"""The invented academy as frozen values, read from academy.toml, and the true cameras built from it."""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import BadInput
from calibration.geometry import Camera, Rigid
from demo_rigs.lighting import NOON, Lighting

HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Picture:
    """What all cameras have in common."""

    size_px: tuple[int, int]
    serve_fps: int
    board_fps: int
    exposure_s: float
    shot_noise: float
    read_noise: float
    serve_crf: int
    board_crf: int


@dataclass(frozen=True, slots=True)
class Board:
    """A checkerboard: inner corners along its sides, square and white margin in millimetres."""

    columns: int
    rows: int
    square_mm: float
    margin_mm: float


@dataclass(frozen=True, slots=True)
class Shared:
    """A set of board footage seen by several cameras; starts_s: each camera's clock zero in the set's time."""

    label: str
    cameras: tuple[str, ...]
    starts_s: tuple[float, ...]
    poses: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Wear:
    """What an athlete wears besides shirt, shorts and shoes.

    sleeve, leg   where they end, as a share of the way shoulder-elbow and hip-knee; beyond 1 on the next bone
    loose_m       how much farther than usual the cloth hangs from the skin
    skirt_m       length of a skirt below the hip, 0: none
    """

    sleeve: float = 0.62
    leg: float = 0.52
    loose_m: float = 0.0
    skirt_m: float = 0.0
    cap: bool = False


@dataclass(frozen=True, slots=True)
class Style:
    """How a serve departs from its script.

    scale, shift   channel → factor on its departure from its first key, and constant added (channel's unit)
    tempo          factor on all times, counted from the contact
    fit            lengths scaled to the athlete's legs; else they stay as the script has them
    footwork       names of files in footwork/ whose keys take the place of the script's, a later one's of an
                   earlier one's
    """

    scale: Mapping[str, float] = field(default_factory=dict)
    shift: Mapping[str, float] = field(default_factory=dict)
    tempo: float = 1.0
    fit: bool = False
    footwork: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Athlete:
    """An invented athlete; colours are red, green, blue in [0, 1].

    shape: shape target → amount; where empty, the figure's usual ones.
    """

    key: str
    label: str
    handedness: str
    height_m: float
    figure: str
    colours: Mapping[str, tuple[float, float, float]]
    shape: Mapping[str, float] = field(default_factory=dict)
    wear: Wear = Wear()


@dataclass(frozen=True, slots=True)
class ServeEntry:
    """One serve to film: script, athlete, each camera's clock zero and last instant in scene time.

    ball, tape: whether the pictures show a ball, and bright tape on the racket.
    """

    name: str
    athlete: Athlete
    starts_s: Mapping[str, float]
    ends_s: Mapping[str, float]
    script: str = ""  # where another serve's script is used
    style: Style = Style()
    ball: bool = True
    tape: bool = True


@dataclass(frozen=True, slots=True)
class Academy:
    """Everything that the renderer needs to know."""

    name: str
    rig_name: str
    seed: int
    picture: Picture
    board: Board
    cameras: Mapping[str, Camera]
    shared: tuple[Shared, ...]
    serves: tuple[ServeEntry, ...]
    raw: Mapping[str, Any]
    lighting: Lighting = NOON

    def serve(self, name: str) -> ServeEntry:
        """The entry of that name; raises BadInput if there is none."""
        for entry in self.serves:
            if entry.name == name:
                return entry
        raise BadInput(f"academy: no serve {name!r}; have {[e.name for e in self.serves]}")


def content_key(files: Iterable[str], *parts: object) -> str:
    """Cache key of something made by these files of this package from these parts of the description."""
    digest = hashlib.sha256(json.dumps(parts, sort_keys=True, default=str).encode())
    for name in files:
        digest.update((HERE / name).read_bytes())
    return digest.hexdigest()[:16]


def load_academy(path: Path = HERE / "academy.toml") -> Academy:
    """Reads a description. Raises BadInput naming what is missing or wrong."""
    try:
        return academy_from(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise BadInput(f"academy description {path.name}: {error}") from error


def academy_from(d: Mapping[str, Any]) -> Academy:
    """An academy from the parsed description. Raises BadInput naming what is missing or wrong."""
    try:
        picture = Picture(**{**d["picture"], "size_px": tuple(d["picture"]["size_px"])})
        cameras = {c["name"]: camera_from(c, picture.size_px) for c in d["camera"]}
        athletes = {k: _athlete(k, v) for k, v in d["athlete"].items()}
        shared = tuple(
            Shared(s["label"], tuple(s["cameras"]), tuple(s["starts_s"]), s["poses"]) for s in d["shared"]
        )
        serves = tuple(
            ServeEntry(s["name"], athletes[s["athlete"]], s["starts_s"], s["ends_s"]) for s in d["serve"]
        )
        return Academy(
            d["name"], d["rig_name"], d["seed"], picture, Board(**d["board"]), cameras, shared, serves, d
        )
    except (KeyError, TypeError) as error:
        raise BadInput(f"academy description: {type(error).__name__} {error}") from error


def _athlete(key: str, a: Mapping[str, Any]) -> Athlete:
    colours = {k: tuple(a[k]) for k in ("skin", "shirt", "shorts", "shoes", "sole", "hair")}
    return Athlete(key, a["label"], a["handedness"], a["height_m"], a["figure"], colours)


def camera_from(c: Mapping[str, Any], size_px: tuple[int, int]) -> Camera:
    """A camera at a place that looks at a point, turned about its axis by roll."""
    place = np.array(c["place_m"], dtype=float)
    level = Rigid.aimed(c["name"], place, c["look_at_m"]).R
    roll = np.radians(c["roll_deg"])
    about_axis = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    R = about_axis @ level
    f, centre = c["focal_px"], c["centre_px"]
    K = np.array([[f[0], 0, centre[0]], [0, f[1], centre[1]], [0, 0, 1]])
    pose = Rigid(R, -R @ place, f"cam_{c['name']}", "court")
    return Camera(c["name"], size_px, K, np.array(c["distortion"], dtype=float), pose)
