"""What makes the numbers of one serve unsure: source by source, random and systematic kept apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from recon.records import Measure
from recon.records.measures import SYSTEMATIC
from recon.report.words import WHAT_HELPS, mostly_from
from recon.wording import size_text

_SHOWN = 3


@dataclass(frozen=True, slots=True)
class SourceRow:
    """One source of uncertainty. largest_in: in how many measures no other source is larger.

    most: the measures of whose u it makes up most, each with its share in words.
    """

    source: str
    largest_in: int
    most: tuple[tuple[str, str], ...]
    helps: str


@dataclass(frozen=True, slots=True)
class Unsure:
    """All sources; counted: measures with a stated u; mostly_random: those of them that more serves help."""

    random: tuple[SourceRow, ...]
    systematic: tuple[SourceRow, ...]
    counted: int
    mostly_random: int


def unsure_of(measures: Sequence[Measure]) -> Unsure:
    """The sources of all measures that have any, those that weigh in most measures first."""
    known = [m for m in measures if m.value is not None and m.u and m.sources]
    sources = sorted({name for m in known for name in m.sources})
    largest = [mostly_from(m)[0] for m in known]
    rows = [_row(source, largest.count(source), known) for source in sources]
    rows.sort(key=lambda row: (-row.largest_in, row.source))
    return Unsure(
        tuple(r for r in rows if r.source not in SYSTEMATIC),
        tuple(r for r in rows if r.source in SYSTEMATIC),
        len(known),
        sum((m.u_random or 0.0) > (m.u_systematic or 0.0) for m in known),
    )


def _row(source: str, largest_in: int, known: Sequence[Measure]) -> SourceRow:
    touched = [m for m in known if m.sources.get(source, 0.0) > 0]
    touched.sort(key=lambda m: -round(_share(m.sources, source), 6))  # equal shares stay in order
    most = tuple(
        (m.label, f"{size_text(m.sources[source], m.unit)} of u {size_text(m.u or 0.0, m.unit)}")
        for m in touched[:_SHOWN]
    )
    return SourceRow(source, largest_in, most, WHAT_HELPS.get(source, ""))


def _share(sources: Mapping[str, float], source: str) -> float:
    """Of the variance."""
    return sources[source] ** 2 / sum(u**2 for u in sources.values())
