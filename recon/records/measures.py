"""A measured value as a person may rely on it: value, uncertainty, interval, sources, status."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from calibration.errors import BadInput

UNITS = ("m", "rad", "s", "1", "m/s", "rad/s")
SYSTEMATIC = frozenset(
    {"calibration", "joint centres", "shoe outline", "air", "standing height", "posture", "smoothing"}
)
"""Sources that are off alike in every serve of a rig and a player: no mean of serves shrinks them."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure of one serve, SI units.

    name     stored name, e.g. "hip_past_baseline_max"
    label    words a coach reads
    unit     one of UNITS
    value    None where it could not be measured; then `reason` says why
    u        standard uncertainty, same unit
    low95, high95   95 % coverage interval
    sources  what makes up u: name of the source -> its share as a standard uncertainty, same unit
    t_s      rig time at which it was taken, where that has a meaning
    note     what the value says in words beyond the number ("clear", "in front of the trunk", …)
    """

    name: str
    label: str
    unit: str
    value: float | None
    u: float | None = None
    low95: float | None = None
    high95: float | None = None
    sources: Mapping[str, float] = field(default_factory=dict)
    t_s: float | None = None
    note: str = ""
    reason: str = ""

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise BadInput(f"measure {self.name}: want an SI unit, got {self.unit!r}")
        if self.value is None:
            if not self.reason or (self.u, self.low95, self.high95) != (None, None, None):
                raise BadInput(f"measure {self.name}: an absent value has a reason and nothing else")
        elif self.u is None or self.low95 is None or self.high95 is None:
            raise BadInput(f"measure {self.name}: a value needs u, low95 and high95")
        elif not self.low95 <= self.value <= self.high95:
            raise BadInput(f"measure {self.name}: {self.value} lies outside [{self.low95}, {self.high95}]")

    @property
    def u_random(self) -> float | None:
        """The part of u that differs from serve to serve, and shrinks in a mean of several."""
        return self._part(systematic=False)

    @property
    def u_systematic(self) -> float | None:
        """The part of u that is the same in every serve of a rig and a player."""
        return self._part(systematic=True)

    def _part(self, *, systematic: bool) -> float | None:
        if self.u is None:
            return None
        return math.hypot(*(u for name, u in self.sources.items() if (name in SYSTEMATIC) == systematic))


@dataclass(frozen=True, slots=True)
class MeasureSet:
    """All measures of one serve."""

    measures: tuple[Measure, ...]

    def of(self, name: str) -> Measure:
        """One measure. Raises BadInput for an unknown name."""
        for m in self.measures:
            if m.name == name:
                return m
        raise BadInput(f"measures: no measure {name!r}; there are {[m.name for m in self.measures]}")
