"""The measures' rows of docs/measures.md, made from the definitions and the published values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from recon.bands import BANDS
from recon.definitions import FAMILIES, GRADES, Definition, Family

RULES = "Rules of Tennis, rules 16 and 18: the limit is 0"
_HEAD = ("stored name", "what", "unit", "symbol", "frame", "sign", "evidence", "what moves it")


def evidence_text(d: Definition) -> str:
    """Grade, and the published values with group, sample and source, or what is commonly looked for."""
    told = [band.text + (f": {band.caution}" if band.caution else "") for band in BANDS.get(d.name, ())]
    if d.family == "lines":
        told = [RULES]
    told += [d.beside] if d.beside else []
    return GRADES[d.evidence] + (f": {'; '.join(told)}" if told else "")


def _row(d: Definition) -> Sequence[str]:
    return (
        f"`{d.name}`", f"**{d.label}.** {d.definition}", d.unit, d.symbol, d.frame, d.sign,
        evidence_text(d), d.moves,
    )  # fmt: skip


def family_section(family: Family) -> str:
    """One family's table as markdown."""
    lines = [_HEAD, ("---",) * len(_HEAD), *(_row(_safe(d)) for d in family.measures)]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def _safe(d: Definition) -> Definition:
    """Bars would end a cell."""
    bar = {"|": "\\|"}
    return replace(
        d, **{f: getattr(d, f).translate(str.maketrans(bar)) for f in ("symbol", "definition", "sign", "frame")}
    )


def all_sections() -> str:
    """All families under their headings, as docs/measures.md holds them between its markers."""
    return "\n\n".join(f"### {family.title}\n\n{family_section(family)}" for family in FAMILIES)
