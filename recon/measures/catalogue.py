"""The list of measures: each definition beside the function that takes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from calibration.errors import BadInput
from recon.definitions import DEFINITIONS, Definition
from recon.measures import (
    contact,
    drive,
    finish,
    front_foot,
    hip,
    lines,
    spine_plane,
    stance,
    swing,
    toss,
    trophy,
)
from recon.measures.reading import Athlete, Compute, Reading, Serve, whenever_seen


@dataclass(frozen=True, slots=True)
class Entry:
    """A measure: what it is, and the function that takes it."""

    definition: Definition
    compute: Compute


def _bound() -> dict[str, Entry]:
    families = (spine_plane, hip, front_foot, stance, toss, trophy, drive, swing, contact, finish, lines)
    functions = {name: compute for family in families for name, compute in family.COMPUTE.items()}
    if set(functions) != set(DEFINITIONS):
        raise BadInput(
            f"measures: want a function for each definition, not so {set(functions) ^ set(DEFINITIONS)}"
        )
    return {name: Entry(d, whenever_seen(functions[name])) for name, d in DEFINITIONS.items()}


MEASURES: Mapping[str, Entry] = MappingProxyType(_bound())

__all__ = ["MEASURES", "Athlete", "Entry", "Reading", "Serve"]
