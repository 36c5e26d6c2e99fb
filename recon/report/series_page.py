"""The page of several serves: scatter, changes, findings and screens, in one file that fetches nothing."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from recon.repeats import MeasuredServe, Retest, Summary, label_words
from recon.report.content import HEADLINES
from recon.report.sections import FindingGroup, ScreenSection
from recon.report.series_words import chance_text, change_row, common_text, summary_row
from recon.report.strip import StripRow, strip
from recon.report.template import filled
from recon.report.words import SERIES_CAUTIONS


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


def _render(
    title: str,
    serves: Sequence[MeasuredServe],
    notes: Sequence[str],
    plots: Sequence[tuple[str, Markup | None]],
    invented: bool,
    **more: object,
) -> str:
    given: dict[str, object] = {
        "rows": (), "changes": (), "groups": (), "screens": None, "paired": False, "chance": "", "common": "",
        "first": set(),
    }  # fmt: skip
    athlete = next((s.athlete for s in serves if s.athlete), "no name given")
    return filled(
        "series.html.j2", title=title, athlete=athlete, hand=f"{serves[0].handedness}-handed",
        serves=[(s.name, label_words(s.labels), s.rig[:12]) for s in serves],
        notes=notes, plots=[(label, plot) for label, plot in plots if plot is not None], invented=invented,
        cautions=SERIES_CAUTIONS, **(given | more),
    )  # fmt: skip
