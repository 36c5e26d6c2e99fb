"""What a drawing is made of: plain frozen data in the court frame, metres. Nothing here draws."""

from __future__ import annotations

from dataclasses import dataclass

from calibration import Array, checked

LAYERS: dict[str, str] = {
    "spine_plane": "spine plane",
    "tip_trace": "racket tip trace",
    "baseline_plane": "baseline plane",
    "foot_headings": "front-foot headings",
    "ball_path": "ball path",
    "cameras": "cameras",
}
"""Layers that a person can switch -> the words for them. Court, body, racket and ball are always shown."""


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Straight strokes. ends_m (N, 2, 3): both ends of each, N may be 0."""

    name: str
    layer: str
    ends_m: Array
    colour: str
    width_px: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "ends_m", checked(self.ends_m, (None, 2, 3), f"{self.name}: ends_m"))


@dataclass(frozen=True, slots=True, eq=False)
class Dots:
    """Balls of one size. xyz_m (N, 3), N may be 0."""

    name: str
    layer: str
    xyz_m: Array
    colour: str
    radius_m: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "xyz_m", checked(self.xyz_m, (None, 3), f"{self.name}: xyz_m"))


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Flat four-sided faces. corners_m (N, 4, 3) in order round each face, N may be 0."""

    name: str
    layer: str
    corners_m: Array
    colour: str
    opacity: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_m", checked(self.corners_m, (None, 4, 3), f"{self.name}: corners_m"))


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """Short texts standing in space. at_m (N, 3), one text each."""

    name: str
    layer: str
    texts: tuple[str, ...]
    at_m: Array

    def __post_init__(self) -> None:
        at = checked(self.at_m, (len(self.texts), 3), f"{self.name}: at_m")
        object.__setattr__(self, "at_m", at)


Part = Lines | Dots | Patches | Words
"""Names are unique within a scene; the same name at another time is the same thing, moved."""
