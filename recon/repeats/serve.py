"""One measured serve as comparisons need it: who served what, on which rig, and the measures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.provenance import content_hash
from recon.records import MeasureSet
from recon.result import Result
from recon.session import Labels


@dataclass(frozen=True, slots=True)
class MeasuredServe:
    """What is known about one serve besides its motion.

    name        of its session, unique among those compared
    rig         SHA-256 of the calibrated rig that it was measured with
    way         how it was measured: option -> value, as its record says
    """

    name: str
    athlete: str
    handedness: str
    height_m: float | None
    age_years: float | None
    labels: Labels
    rig: str
    way: tuple[tuple[str, str], ...]
    measures: MeasureSet


def serve_of(result: Result, name: str) -> MeasuredServe:
    """The serve of a measured session, under a name of its own."""
    file = result.session.file
    options = result.provenance.get("options")
    way = {**options} if isinstance(options, dict) else {}
    way |= {"method": result.provenance["method"]} if "method" in result.provenance else {}
    return MeasuredServe(
        name=name,
        athlete=file.athlete.strip(),
        handedness=file.handedness,
        height_m=file.height_m,
        age_years=file.age_years,
        labels=file.serve,
        rig=content_hash(result.session.rig_path),
        way=tuple(sorted((str(k), str(v)) for k, v in way.items())),
        measures=result.measures,
    )


def names_of(folders: Sequence[Path]) -> dict[Path, str]:
    """Resolved folder -> the end of its path, as short as tells it from the others: '01', else 'monday/01'."""
    whole = {f.resolve().parts for f in folders}
    names = {}
    for parts in whole:
        n = next(n for n in range(1, len(parts) + 1) if sum(p[-n:] == parts[-n:] for p in whole) == 1)
        names[Path(*parts)] = "/".join(parts[-n:])
    return names


def youngest(serves: Sequence[MeasuredServe]) -> float | None:
    """The least age among the serves, years; None where one of them is unknown."""
    known = [s.age_years for s in serves if s.age_years is not None]
    return min(known) if serves and len(known) == len(serves) else None


def label_words(labels: Labels) -> str:
    """'flat, deuce side, 90 % effort, in, full ball, racket 0.685 m'; 'not labelled' where nothing is known."""
    words = [
        labels.type or "",
        f"{labels.side} side" if labels.side else "",
        f"{labels.effort_percent:g} % effort" if labels.effort_percent is not None else "",
        labels.landed or "",
        f"{labels.ball} ball" if labels.ball else "",
        f"racket {labels.racket_length_m:g} m" if labels.racket_length_m is not None else "",
    ]
    return ", ".join(w for w in words if w) or "not labelled"
