"""INVENTED serves with the measures that a test asks for."""

from __future__ import annotations

from collections.abc import Mapping

from recon.records import Measure, MeasureSet
from recon.repeats import MeasuredServe
from recon.session import Labels

LABELS = Labels(
    type="flat", side="deuce", effort_percent=90, landed="in", ball="full", racket_length_m=0.685
)  # what a careful person writes down


def measured(
    name: str, value: float | None, sources: Mapping[str, float] | None = None, unit: str = "m"
) -> Measure:
    """A measure with u from its sources, 1 mm of pixels where none are given; absent where value is None."""
    if value is None:
        return Measure(name, name.replace("_", " "), unit, None, reason="hidden from all cameras but one")
    sources = {"pixels": 0.001} if sources is None else sources
    u = sum(s**2 for s in sources.values()) ** 0.5
    return Measure(name, name.replace("_", " "), unit, value, u, value - 1.96 * u, value + 1.96 * u, sources)


def serve(name: str, *measures: Measure, **other: object) -> MeasuredServe:
    """A serve of an invented grown player on one rig, fully labelled; `other` changes what it is given."""
    given: dict[str, object] = {
        "athlete": "Invented A", "handedness": "right", "height_m": 1.8, "age_years": 24.0, "labels": LABELS,
        "rig": "ab12" * 16, "way": (("mode", "full"),),
    }  # fmt: skip
    return MeasuredServe(name=name, measures=MeasureSet(measures), **(given | other))  # type: ignore[arg-type]
