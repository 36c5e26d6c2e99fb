"""The rules as data: read from TOML, every name and unit checked against the catalogue of measures."""

from __future__ import annotations

import tomllib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self, get_args

import numpy as np
from pydantic import ConfigDict, Field, ValidationError, model_validator

from calibration.errors import BadInput
from calibration.files import StrictModel, first_fault
from recon.bands import Band, band_for
from recon.definitions import DEFINITIONS
from recon.wording import limit_text

RULES_FILE = Path(__file__).with_name("rules.toml")
"""The rules that come with the program."""

_Place = Literal["feet", "knees", "hips", "trunk", "tossing arm", "hitting arm", "contact", "landing"]
CHAIN: tuple[str, ...] = get_args(_Place)
"""The order in which findings are told: lower body first, then up the chain, then how it ends."""

PROJECT_CHOICE = "common practice; the number is this project's choice"

_DEG = float(np.pi / 180)
_UNITS = {
    "deg": ("rad", _DEG),
    "cm": ("m", 0.01),
    "s": ("s", 1.0),
    "ratio": ("1", 1.0),
    "m_s": ("m/s", 1.0),
    "deg_s": ("rad/s", _DEG),
}
"""What a limit's key ends with -> the SI unit of the measure it can belong to, and the factor into it."""

Text = Annotated[str, Field(min_length=1)]
_BandSide = Literal["above", "below", "within"]


class _WhenForm(StrictModel):
    """One condition as written. Limits stand under keys such as above_deg; exactly one unit is used."""

    model_config = ConfigDict(extra="allow", allow_inf_nan=False)

    measure: Text
    band: _BandSide | None = None
    basis: Text = PROJECT_CHOICE

    @model_validator(mode="after")
    def _known_keys(self) -> Self:
        limits = self.limits()
        if (self.band is None) == (not limits):
            raise ValueError("want limits such as above_deg, or band, and not both")
        if len({unit for _, unit, _ in limits}) > 1:
            raise ValueError("want one unit for the limits of a measure")
        return self

    def limits(self) -> list[tuple[str, str, float]]:
        """(above or below, unit as written, number) of every limit."""
        out = []
        for key, value in (self.model_extra or {}).items():
            side, _, unit = key.partition("_")
            if side not in ("above", "below") or unit not in _UNITS:
                raise ValueError(f"unknown key {key}: want above_ or below_ with one of {', '.join(_UNITS)}")
            if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
                raise ValueError(f"{key}: want a number, got {value!r}")
            out.append((side, unit, float(value)))
        return out


class _RuleForm(StrictModel):
    name: Annotated[str, Field(pattern=r"^[a-z][a-z_]*$")]
    title: Text
    kind: Literal["finding", "strength"]
    chain: _Place
    evidence: Literal["common practice", "published"]
    source: Text
    says: Text
    changes: Text
    ask: Text | None = None
    retest: Text
    when: Annotated[list[_WhenForm], Field(min_length=1)]

    @model_validator(mode="after")
    def _findings_ask(self) -> Self:
        if self.kind == "finding" and self.ask is None:
            raise ValueError("a finding says whom to ask for what (ask)")
        measures = [w.measure for w in self.when]
        if len(set(measures)) < len(measures):
            raise ValueError("want each measure once per rule; a range has above and below in one condition")
        return self


class _File(StrictModel):
    rule: Annotated[list[_RuleForm], Field(min_length=1)]


@dataclass(frozen=True, slots=True)
class Condition:
    """One measure and where it has to lie, SI units. low, high: None where that side is open.

    band: "above", "below" or "within" the published band of adults in place of limits of our own.
    """

    measure: str
    unit: str
    low: float | None
    high: float | None
    basis: str
    band: _BandSide | None = None

    @property
    def limit_words(self) -> str:
        """'above 20°' or 'between −12° and 12°' of limits of our own; '' where a band stands for them."""
        low, high = (None if x is None else limit_text(x, self.unit) for x in (self.low, self.high))
        if low is None:
            return "" if high is None else f"below {high}"
        return f"above {low}" if high is None else f"between {low} and {high}"

    def limits(self, age_years: float | None) -> tuple[float | None, float | None] | None:
        """(low, high) for a player of this age; None where a band is needed and the age forbids it."""
        if self.band is None:
            return self.low, self.high
        found = self.published(age_years)
        if found is None:
            return None
        return {
            "above": (found.high, None),
            "below": (None, found.low),
            "within": (found.low, found.high),
        }[self.band]

    def published(self, age_years: float | None) -> Band | None:
        """The band that the condition rests on, for a player of this age."""
        return None if self.band is None else band_for(self.measure, age_years)


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule, in its place along the chain."""

    name: str
    title: str
    kind: Literal["finding", "strength"]
    chain: str
    evidence: str
    source: str
    says: str
    changes: str
    ask: str
    retest: str
    conditions: tuple[Condition, ...]


def load_rules(path: Path = RULES_FILE) -> tuple[Rule, ...]:
    """The rules of a file, lower body first, findings before strengths at each place.

    Raises BadInput naming file, rule and key for a measure that does not exist, a limit in a unit that it does
    not have, a band that nobody published, or a name used twice.
    """
    if not path.is_file():
        raise BadInput(f"{path}: want a file of rules, found none")
    try:
        form = _File.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{path}: not valid TOML: {error}") from error
    except ValidationError as error:
        raise BadInput(f"{path}: {first_fault(error)}") from error
    twice = sorted(name for name, n in Counter(r.name for r in form.rule).items() if n > 1)
    if twice:
        raise BadInput(f"{path}: want every rule's name once, got twice: {', '.join(twice)}")
    rules = [_rule(r, path) for r in form.rule]
    return tuple(sorted(rules, key=lambda r: (CHAIN.index(r.chain), r.kind != "finding")))


def _rule(form: _RuleForm, path: Path) -> Rule:
    conditions = tuple(_condition(w, f"{path}: rule {form.name}: {w.measure}") for w in form.when)
    says, changes, ask, retest = (
        " ".join(t.split()) for t in (form.says, form.changes, form.ask or "", form.retest)
    )
    return Rule(
        form.name, form.title, form.kind, form.chain, form.evidence, form.source, says, changes, ask, retest,
        conditions,
    )  # fmt: skip


def _condition(form: _WhenForm, where: str) -> Condition:
    if form.measure not in DEFINITIONS:
        raise BadInput(f"{where}: no measure of that name")
    unit = DEFINITIONS[form.measure].unit
    if form.band is not None:
        if band_for(form.measure, np.inf) is None:
            raise BadInput(f"{where}: no published band with a spread for it; want limits such as above_deg")
        return Condition(form.measure, unit, None, None, "published", form.band)
    sides: dict[str, float] = {}
    for side, written, number in form.limits():
        wanted, factor = _UNITS[written]
        if wanted != unit:
            raise BadInput(
                f"{where}: {side}_{written}: want a limit for a measure in {unit}, got one in {wanted}"
            )
        sides[side] = number * factor
    low, high = sides.get("above"), sides.get("below")
    if low is not None and high is not None and not low < high:
        raise BadInput(f"{where}: want above less than below, got {low:g} and {high:g}")
    return Condition(form.measure, unit, low, high, form.basis)
