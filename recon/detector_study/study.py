"""The record of the study and its reader."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.detector_study.view_errors import PARTS, ViewErrors
from recon.records import NoiseShape

MEASURED = Path(__file__).with_name("measured.json")
ARRAYS = "view_errors.npz"
"""Beside a study's file: the view errors of every mode, too many numbers for a text."""
USUAL_MODE = "quick"
"""The mode that the program uses unless told otherwise."""
KIND, FORMAT = "courtplumb detector study", 3
ADULT_M = 1.30
"""Size of a grown body (segments.body_scale_m), for where the athlete's own is not known."""


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


@dataclass(frozen=True, kw_only=True, slots=True)
class LeftError:
    """What is left of a part's pixel error once the view errors are taken out.

    share       of its sigma as detected, all postures together
    by_posture  the same where ViewErrors.doubt says nothing; what it says of a posture multiplies this
    shape       how the error lasts in time, in sigmas so multiplied
    """

    share: float
    by_posture: float
    shape: NoiseShape

    def __post_init__(self) -> None:
        if not (0 < self.share <= 2 and 0 < self.by_posture <= 4):
            raise BadInput(f"left error: want share in (0, 2] and by_posture in (0, 4], got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class ViewStudy:
    """Errors that follow from how a posture stands to the camera, and what is left without them."""

    errors: ViewErrors
    pixels: Mapping[str, LeftError]
    joints: Mapping[str, JointOffset]


@dataclass(frozen=True, slots=True, eq=False)
class DetectorStudy:
    """One mode's findings per body part, and a sentence on where they come from."""

    mode: str
    pixels: Mapping[str, PixelError]
    joints: Mapping[str, JointOffset]
    origin: str
    views: ViewStudy | None = None

    def __post_init__(self) -> None:
        views = (self.views.pixels, self.views.joints) if self.views else ()
        for what in (self.pixels, self.joints, *views):
            if sorted(what) != sorted(PARTS):
                raise BadInput(f"detector study, {self.mode}: want the parts {PARTS}, got {sorted(what)}")

    def without_view_errors(self) -> DetectorStudy:
        """The joint offsets as they are once the view errors are taken out of the pixels."""
        return self if self.views is None else replace(self, joints=self.views.joints)

    def left_base(self, part: str) -> float:
        """Sigma of a fully visible point once the view errors are taken out, share of height in the picture."""
        share = self.views.pixels[part].share if self.views else 1.0
        return share * self.pixels[part].base

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
    arrays = path.with_name(ARRAYS)
    try:
        made = data["provenance"]
        origin = f"{len(made['bodies'])} rendered athletes, {made['takes']} serves, {made['date']}"
        return MappingProxyType(
            {mode: mode_of_data(mode, m, origin, arrays) for mode, m in data["modes"].items()}
        )
    except (KeyError, TypeError, OSError) as error:
        raise BadInput(f"{path}: {type(error).__name__} {error}") from error


def mode_of_data(mode: str, m: Mapping[str, Any], origin: str, arrays: Path | None = None) -> DetectorStudy:
    """One mode's part of a study's file; arrays: where its view errors lie, if it has any."""
    pixels = {
        part: PixelError(base=v["base"], hidden=v["hidden"], spread=v["spread"], shape=_shape(v))
        for part, v in m["pixels"].items()
    }
    return DetectorStudy(mode, MappingProxyType(pixels), _joints(m["joints"]), origin, _views(mode, m, arrays))


def _views(mode: str, m: Mapping[str, Any], arrays: Path | None) -> ViewStudy | None:
    if "views" not in m or arrays is None:
        return None
    with np.load(arrays) as kept:
        errors = ViewErrors(
            **{n: kept[f"{mode} {n}"].astype(float) for n in ("middle", "width", "shown", "weights", "doubt")},
            reach=float(kept[f"{mode} reach"]),
        )
    left = {
        part: LeftError(share=v["share"], by_posture=v["by_posture"], shape=_shape(v))
        for part, v in m["views"]["pixels"].items()
    }
    return ViewStudy(errors, MappingProxyType(left), _joints(m["views"]["joints"]))


def _joints(joints: Mapping[str, Any]) -> Mapping[str, JointOffset]:
    return MappingProxyType(
        {
            part: JointOffset(np.array(v["first"]), np.array(v["second"]), np.array(v["covariance"]))
            for part, v in joints.items()
        }
    )


def _shape(v: Mapping[str, float]) -> NoiseShape:
    return NoiseShape(white=v["white"], slow=v["slow"], bias=v["bias"], slow_s=v["slow_s"])
