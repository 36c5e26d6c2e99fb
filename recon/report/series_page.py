"""The page of several serves: scatter, changes, findings and screens, in one file that fetches nothing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from recon.repeats import MeasuredServe, Retest, Summary, label_words
from recon.report.content import HEADLINES
from recon.report.sections import FindingGroup, ScreenSection
from recon.report.series_words import (
    SERIES_CAUTIONS,
    chance_text,
    change_row,
    common_text,
    summary_row,
)
from recon.report.strip import StripRow, strip
from recon.store import write_whole

_HERE = Path(__file__).resolve().parent


def render_series(
    serves: Sequence[MeasuredServe],
    summaries: Sequence[Summary],
    notes: Sequence[str],
    groups: Sequence[FindingGroup] = (),
    screens: ScreenSection | None = None,
    *,
    invented: bool = False,
) -> str:
    """The page of one series as HTML text; same input, same text."""
    plots = [(s.label, strip(s.label, [StripRow("serves", s)])) for s in summaries if s.name in HEADLINES]
    return _render(
        "Serves in series", serves, notes, plots, invented,
        rows=[summary_row(s) for s in summaries], groups=groups, screens=screens,
    )  # fmt: skip


def render_retest(
    retest: Retest, before: Sequence[MeasuredServe], after: Sequence[MeasuredServe], *, invented: bool = False
) -> str:
    """The page of two series compared as HTML text; same input, same text."""
    plots = [
        (c.label, strip(c.label, [StripRow("before", c.before), StripRow("after", c.after)]))
        for c in retest.changes
        if c.name in HEADLINES
    ]
    return _render(
        "Before and after", [*before, *after], retest.notes, plots, invented,
        changes=[change_row(c) for c in retest.changes],
        paired=retest.paired, chance=chance_text(retest), common=common_text(retest), first=set(retest.before),
    )  # fmt: skip


def write_page(path: Path, text: str) -> None:
    """Write a page, whole or not at all."""
    write_whole(path, lambda part: part.write_text(text, encoding="utf-8"))


def _render(
    title: str,
    serves: Sequence[MeasuredServe],
    notes: Sequence[str],
    plots: Sequence[tuple[str, Markup | None]],
    invented: bool,
    **more: object,
) -> str:
    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    given: dict[str, object] = {
        "rows": (), "changes": (), "groups": (), "screens": None, "paired": False, "chance": "", "common": "",
        "first": set(),
    }  # fmt: skip
    athlete = next((s.athlete for s in serves if s.athlete), "no name given")
    text = environment.get_template("series.html.j2").render(
        title=title, athlete=athlete, hand=f"{serves[0].handedness}-handed",
        serves=[(s.name, label_words(s.labels), s.rig[:12]) for s in serves],
        notes=notes, plots=[(label, plot) for label, plot in plots if plot is not None], invented=invented,
        style=(_HERE / "page.css").read_text(encoding="utf-8"), cautions=SERIES_CAUTIONS, **(given | more),
    )  # fmt: skip
    return text.strip() + "\n"
