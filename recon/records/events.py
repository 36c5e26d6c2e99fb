"""The instants of a serve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from calibration.errors import BadInput

EVENT_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "stance": "stance",
        "start": "start",
        "lift_start": "start of the lift",
        "release": "ball release",
        "knee_bend_onset": "onset of the knee bend",
        "trophy": "trophy position",
        "deepest_bend": "deepest knee bend",
        "push_off": "push-off",
        "racket_low": "racket low point",
        "contact": "contact",
        "landing": "landing",
        "settled": "settled",
    }
)
"""Stored name -> words a coach reads, in the order of a usual serve."""


@dataclass(frozen=True, slots=True)
class Event:
    """One instant: rig time and its standard uncertainty, or the reason why it is absent."""

    name: str
    t_s: float | None
    u_s: float | None
    reason: str = ""

    def __post_init__(self) -> None:
        if self.name not in EVENT_NAMES:
            raise BadInput(f"event: unknown name {self.name!r}; there are {list(EVENT_NAMES)}")
        if (self.t_s is None) != (self.u_s is None):
            raise BadInput(f"event {self.name}: a time needs its uncertainty, and only a time has one")
        if self.t_s is None and not self.reason:
            raise BadInput(f"event {self.name}: absent without a reason")


@dataclass(frozen=True, slots=True)
class Events:
    """All instants of one serve, each present or absent with a reason."""

    events: tuple[Event, ...]

    def __post_init__(self) -> None:
        names = [e.name for e in self.events]
        if len(set(names)) != len(names):
            raise BadInput(f"events: want each once, got {names}")

    def of(self, name: str) -> Event:
        """One event. Raises BadInput for an unknown name."""
        for e in self.events:
            if e.name == name:
                return e
        raise BadInput(f"events: no event {name!r}; there are {[e.name for e in self.events]}")

    def time(self, name: str) -> float | None:
        """Rig time of an event, None where it is absent."""
        return self.of(name).t_s
