"""What every measure is, in words: names, units, definitions, signs, evidence. One file a family, no formulas.

Each `NN_family.toml` begins with [family]: title (a heading), word (its short name), and what holds for all its
measures unless they say otherwise: frame, evidence, sign, moves. Then one table a measure, by stored name:

label       what a person reads         unit        SI
symbol      as the definition writes it definition  in the terms of docs/measures.md
frame       in which it is taken        sign        what its sign or zero means
evidence    "published", "common practice" or "definition"
moves       what moves it, or keeps it unsure
means       what it says to a coach     beside      what is commonly looked for, where no number is published
posture_u   standard uncertainty, SI, that stays because a point's offset from its joint changes with posture
smoothed    share of the value by which smoothing may lower a greatest speed: its standard uncertainty
The last two, 0 where nothing is said, were chosen on the first rendered serves of docs/evidence/measures.md.

The functions that take them are in recon.measures, the published values to set beside them in recon.bands.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from calibration.errors import BadInput
from recon.records import UNITS

EVIDENCE: Mapping[str, str] = MappingProxyType(
    {
        "published": "there is a published value, with its source, to set beside this one",
        "common practice": "coaches commonly look at it; no published value says what is good",
        "definition": "we define and measure it; nothing here says what is good",
    }
)
"""Grade of evidence -> what it means."""
GRADES: Mapping[str, str] = MappingProxyType(
    {"published": "published value", "common practice": "common practice", "definition": "definition only"}
)
"""Grade of evidence -> the words beside a number."""


@dataclass(frozen=True, slots=True)
class Definition:
    """One measure in words; the module's head says what each field holds. family: its short name."""

    name: str
    family: str
    label: str
    unit: str
    symbol: str
    definition: str
    frame: str
    sign: str
    evidence: str
    moves: str
    means: str
    beside: str = ""
    posture_u: float = 0.0
    smoothed: float = 0.0

    def __post_init__(self) -> None:
        if self.evidence not in EVIDENCE:
            raise BadInput(f"definition of {self.name}: want one of {list(EVIDENCE)}, got {self.evidence!r}")
        if self.unit not in UNITS:
            raise BadInput(f"definition of {self.name}: want one of {UNITS}, got {self.unit!r}")
        if min(self.posture_u, self.smoothed) < 0:
            raise BadInput(f"definition of {self.name}: want posture_u and smoothed of 0 or more")


@dataclass(frozen=True, slots=True)
class Family:
    """Measures that belong together, in the order in which they are shown."""

    word: str
    title: str
    measures: tuple[Definition, ...]


def _family(path: Path) -> Family:
    tables = tomllib.loads(path.read_text(encoding="utf-8"))
    shared = dict(tables.pop("family"))
    title, word = shared.pop("title"), shared.pop("word")
    try:
        rows = tuple(Definition(name=name, family=word, **(shared | own)) for name, own in tables.items())
    except TypeError as error:
        raise BadInput(f"{path.name}: {error}") from error
    return Family(word, title, rows)


FAMILIES: tuple[Family, ...] = tuple(_family(p) for p in sorted(Path(__file__).parent.glob("*.toml")))
DEFINITIONS: Mapping[str, Definition] = MappingProxyType(
    {row.name: row for family in FAMILIES for row in family.measures}
)
"""Stored name -> definition, in the order in which measures are shown."""
