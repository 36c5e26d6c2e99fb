"""The record of the study and its reader."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.records import BODY, NoiseShape

MEASURED = Path(__file__).with_name("measured.json")
USUAL_MODE = "quick"
"""The mode that the program uses unless told otherwise."""
KIND, FORMAT = "courtplumb detector study", 1
ADULT_M = 1.30
"""Size of a grown body (segments.body_scale_m), for where the athlete's own is not known."""
PARTS: tuple[str, ...] = tuple(dict.fromkeys(name.split("_")[-1] for name in BODY))


@dataclass(frozen=True, kw_only=True, slots=True)
class PixelError:
    """Error of a detected body part in one picture, per axis, as shares of the player's height in that picture.

    base     where it is fully visible and the passes agree
    hidden   growth where it is not: the variance is multiplied by 1 + hidden (1 − visibility)²
    spread   how much of the passes' spread is error: base² + (spread × spread)², before that factor
    shape    how the error lasts in time
    """

    base: float
    hidden: float
    spread: float
    shape: NoiseShape

    def __post_init__(self) -> None:
        if not (self.base > 0 and self.hidden >= 0 and self.spread >= 0):
            raise BadInput(f"pixel error: want base > 0, hidden and spread >= 0, got {self}")

    def sigma(self, visibility: Array, spread: Array) -> Array:
        """Standard uncertainty per axis, shares of height; spread NaN where there was one pass only."""
        seen = np.clip(np.nan_to_num(visibility), 0.0, 1.0)
        variance = self.base**2 + (self.spread * np.nan_to_num(spread)) ** 2
        return np.asarray(np.sqrt(variance * (1 + self.hidden * (1 - seen) ** 2)))


@dataclass(frozen=True, slots=True, eq=False)
class JointOffset:
    """Where a detected point sits against its joint, as shares of the body's size (segments.body_scale_m).

    first, second  (3,) offset in the frames of the two segments that meet there (front, up, outward), added up
    covariance     (3, 3) what is left for a new athlete, in the first frame: bodies and poses differ
    """

    first: Array
    second: Array
    covariance: Array

    def __post_init__(self) -> None:
        for field, shape in (("first", (3,)), ("second", (3,)), ("covariance", (3, 3))):
            object.__setattr__(self, field, checked(getattr(self, field), shape, f"joint offset: {field}"))
        if np.linalg.eigvalsh(self.covariance).min() < 0:
            raise BadInput(f"joint offset: want a covariance without negative variances, got {self.covariance}")

    def left_over(self) -> float:
        """Root of the summed variances: typical distance left by the correction, share of the body's size."""
        return float(np.sqrt(np.trace(self.covariance)))


@dataclass(frozen=True, slots=True, eq=False)
class DetectorStudy:
    """One mode's findings per body part, and a sentence on where they come from."""

    mode: str
    pixels: Mapping[str, PixelError]
    joints: Mapping[str, JointOffset]
    origin: str

    def __post_init__(self) -> None:
        for what in (self.pixels, self.joints):
            if sorted(what) != sorted(PARTS):
                raise BadInput(f"detector study, {self.mode}: want the parts {PARTS}, got {sorted(what)}")

    def shape(self, keypoint: str) -> NoiseShape:
        """How the error of a body point lasts."""
        return self.pixels[keypoint.split("_")[-1]].shape


@cache
def load_study() -> Mapping[str, DetectorStudy]:
    """Mode → findings, as they come with the program."""
    return read_study(MEASURED)


def study_of(mode: str) -> DetectorStudy:
    """Findings of one mode. Raises BadInput for an unknown one."""
    found = load_study()
    if mode not in found:
        raise BadInput(f"detector study: want a mode of {sorted(found)}, got {mode!r}")
    return found[mode]


def read_study(path: Path) -> Mapping[str, DetectorStudy]:
    """A study file. Raises BadInput naming what is wrong with it."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, json.JSONDecodeError) as error:
        raise BadInput(f"{path}: want a detector study: {error}") from error
    if data.get("kind") != KIND or data.get("format") != FORMAT:
        raise BadInput(
            f"{path}: want {KIND!r}, format {FORMAT}; got {data.get('kind')!r}, {data.get('format')!r}"
        )
    try:
        made = data["provenance"]
        origin = f"{len(made['bodies'])} rendered athletes, {made['takes']} serves, {made['date']}"
        return MappingProxyType({mode: _mode(mode, m, origin) for mode, m in data["modes"].items()})
    except (KeyError, TypeError) as error:
        raise BadInput(f"{path}: {type(error).__name__} {error}") from error


def _mode(mode: str, m: Mapping[str, Any], origin: str) -> DetectorStudy:
    pixels = {part: _pixel_error(v) for part, v in m["pixels"].items()}
    joints = {
        part: JointOffset(np.array(v["first"]), np.array(v["second"]), np.array(v["covariance"]))
        for part, v in m["joints"].items()
    }
    return DetectorStudy(mode, MappingProxyType(pixels), MappingProxyType(joints), origin)


def _pixel_error(v: Mapping[str, float]) -> PixelError:
    shape = NoiseShape(white=v["white"], slow=v["slow"], bias=v["bias"], slow_s=v["slow_s"])
    return PixelError(base=v["base"], hidden=v["hidden"], spread=v["spread"], shape=shape)
