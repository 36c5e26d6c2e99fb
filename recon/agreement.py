"""How a measured serve agrees with a known truth: value against value, and whether the interval holds it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from recon.records import MeasureSet


@dataclass(frozen=True, slots=True)
class Comparison:
    """One measure of one serve beside its truth, SI units; measured is None where it is absent."""

    serve: str
    cameras: int
    measure: str
    unit: str
    measured: float | None
    u: float | None
    low95: float | None
    high95: float | None
    truth: float | None

    @property
    def error(self) -> float | None:
        """Measured minus true."""
        return None if self.measured is None or self.truth is None else self.measured - self.truth

    @property
    def holds(self) -> bool | None:
        """Whether the 95 % interval holds the truth."""
        if self.low95 is None or self.high95 is None or self.truth is None:
            return None
        return self.low95 <= self.truth <= self.high95


def compare(
    serve: str, cameras: int, measures: MeasureSet, truth: Mapping[str, float | None]
) -> tuple[Comparison, ...]:
    """Every measure beside its true value; truth: measure name -> SI value, None or missing where unknown."""
    return tuple(
        Comparison(serve, cameras, m.name, m.unit, m.value, m.u, m.low95, m.high95, truth.get(m.name))
        for m in measures.measures
    )
