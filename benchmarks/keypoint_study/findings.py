"""All that the study finds of one mode of the detector, and how it is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.keypoint_study.errors import Offsets, Residuals, errors_of
from benchmarks.keypoint_study.estimate import common_offsets, left_data, mode_data
from benchmarks.keypoint_study.views import fit_views
from calibration.checks import Array
from demo_rigs.cast import Take
from recon.detector_study import DetectorStudy, LeftError, ViewErrors, ViewStudy
from recon.detector_study.study import mode_of_data

Errors = tuple[list[Offsets], list[Residuals]]


@dataclass(frozen=True, slots=True, eq=False)
class Findings:
    """One mode's part of the study's file, its view errors, and from how many pictures they come."""

    data: dict[str, Any]
    errors: ViewErrors
    pictures: int


def findings(work: Path, takes: Sequence[Take], mode: str, say: Callable[[str], object]) -> Findings:
    """Errors as detected; view errors learned from all athletes; and what is left of an athlete's errors when
    the view errors were learned from others who serve after another script, where there are several: a new
    athlete's serve will be like none of the study's.
    """
    errors = {take.name: errors_of(work, take, mode) for take in takes}
    everything = _together(errors.values())
    data: dict[str, Any] = mode_data(*everything)
    plain = mode_of_data(mode, data, "as detected")
    left: list[Errors] = []
    for take in takes:
        others = _together(errors[other.name] for other in unlike(take, takes))
        study = _with_views(plain, fit_views(others[1], common_offsets(others[0])))
        left.append(errors_of(work, take, mode, study))
        say(f"{take.name} without the view errors of the others")
    learned = fit_views(everything[1], common_offsets(everything[0]))
    data["views"], doubt = left_data(*_together(left), plain.pixels, learned)
    pictures = sum(len(r.t_s) for r in everything[1] if r.part == "nose")
    return Findings(data, replace(learned, doubt=doubt), pictures)


def unlike(take: Take, takes: Sequence[Take]) -> list[Take]:
    """The takes of other athletes after another script; where all serve after one, of other athletes."""
    others = [t for t in takes if t.athlete != take.athlete]
    return [t for t in others if t.script != take.script] or others


def _together(errors: Iterable[Errors]) -> Errors:
    offsets: list[Offsets] = []
    residuals: list[Residuals] = []
    for more in errors:
        offsets += more[0]
        residuals += more[1]
    return offsets, residuals


def _with_views(plain: DetectorStudy, errors: ViewErrors) -> DetectorStudy:
    """A study that takes view errors out and leaves all sigmas as they are."""
    same = {
        part: LeftError(share=1.0, by_posture=1.0, shape=error.shape) for part, error in plain.pixels.items()
    }
    return DetectorStudy(
        plain.mode, plain.pixels, plain.joints, plain.origin, ViewStudy(errors, same, plain.joints)
    )


def write_arrays(path: Path, mode: str, errors: ViewErrors) -> None:
    """Adds one mode's view errors to the file of arrays; those of other modes stay."""
    kept: dict[str, Array] = {}
    if path.is_file():
        with np.load(path) as old:
            kept = {name: old[name] for name in old.files}
    for field in ("middle", "width", "shown", "weights", "doubt", "reach"):
        kept[f"{mode} {field}"] = np.asarray(getattr(errors, field), dtype=np.float32)
    np.savez_compressed(path, **{name: kept[name] for name in sorted(kept)})  # type: ignore[arg-type]
