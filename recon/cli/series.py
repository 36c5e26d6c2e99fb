"""Commands on several measured sessions of one player: series and retest."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from recon.cli.app import ERR, OUT, app, print_notes, table_of

if TYPE_CHECKING:
    from recon.findings import FindingCard
    from recon.repeats import MeasuredServe, Retest, Summary
    from recon.report.sections import FindingGroup, ScreenSection
    from recon.screens import ScreenLine


class ManyPerOption(TyperCommand):
    """Options that take several values in a row, as a shell writes them for a pattern: --before monday/*."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """'--before a b' becomes '--before a --before b'."""
        return super().parse_args(ctx, one_each(args))


def one_each(args: Sequence[str]) -> list[str]:
    """Command words in which --before and --after stand anew before each of their values."""
    out: list[str] = []
    option = ""
    for word in args:
        if word.startswith("-"):
            option = word if word in ("--before", "--after") else ""
            out += [] if option else [word]
        else:
            out += [option, word] if option else [word]
    return out


@dataclass(frozen=True, slots=True)
class _Loaded:
    serves: tuple[MeasuredServe, ...]
    invented: bool
    quality: tuple[str, ...]


def _load(folders: Sequence[Path], names: dict[Path, str]) -> _Loaded:
    """The measured serves of session folders. Raises BadInput for one that has not been measured."""
    from recon.repeats import serve_of
    from recon.report.content import is_invented
    from recon.result import load_result

    serves, quality, invented = [], [], False
    for folder in folders:
        result = load_result(folder)
        serve = serve_of(result, names[folder.resolve()])
        serves.append(serve)
        invented |= is_invented(result)
        quality += [f"serve {serve.name}: {text}" for text in result.quality]
    return _Loaded(tuple(serves), invented, tuple(quality))


def _page_path(out: Path | None, folders: Sequence[Path], name: str) -> Path:
    """Where the page goes: as told, else into the folder that holds all the sessions."""
    if out is not None:
        return out
    return Path(os.path.commonpath([f.resolve().parent for f in folders])) / name


@app.command()
def series(
    sessions: Annotated[list[Path], typer.Argument(help="Measured session folders of one player")],
    screens: Annotated[
        Path | None, typer.Option(help="The player's screens.toml, where it lies elsewhere than beside them")
    ] = None,
    rules: Annotated[Path | None, typer.Option(help="Rules of your own in place of the program's")] = None,
    out: Annotated[
        Path | None, typer.Option(help="The page; if not given series.html beside the sessions")
    ] = None,
) -> None:
    """Mean, scatter, findings and screens over several measured serves of one player, with a page."""
    from recon.findings import RULES_FILE, judge_all, load_rules
    from recon.repeats import names_of, notes_on_labels, summarise
    from recon.report.sections import finding_group
    from recon.report.series_page import render_series
    from recon.report.template import write_page

    rows = load_rules(rules if rules is not None else RULES_FILE)
    loaded = _load(sessions, names_of(sessions))
    summaries = summarise(loaded.serves)
    notes = (*notes_on_labels(loaded.serves), *loaded.quality)
    groups = [finding_group(group, judged) for group, judged in judge_all(rows, loaded.serves)]
    section = _screens(screens, sessions, loaded.serves)
    _print_series(summaries)
    _print_findings(groups)
    if section is not None:
        _print_screens(section.lines, section.notes)
    print_notes(notes)
    path = _page_path(out, sessions, "series.html")
    page = render_series(loaded.serves, summaries, notes, groups, section, invented=loaded.invented)
    write_page(path, page)
    OUT.print(f"page: {path}", soft_wrap=True)
    _look_first(loaded.quality)


@app.command(cls=ManyPerOption)
def retest(
    before: Annotated[list[Path], typer.Option("--before", help="Measured sessions of the first series")],
    after: Annotated[list[Path], typer.Option("--after", help="Measured sessions of the second series")],
    paired: Annotated[
        bool,
        typer.Option("--paired", help="The k-th sessions of both are one serve, measured twice"),
    ] = False,
    out: Annotated[
        Path | None, typer.Option(help="The page; if not given retest.html beside the sessions")
    ] = None,
) -> None:
    """Compare two series of one player: what changed beyond measuring and the player's own variation."""
    from recon.repeats import names_of
    from recon.repeats import retest as compare
    from recon.report.series_page import render_retest
    from recon.report.template import write_page

    names = names_of([*before, *after])
    first, second = _load(before, names), _load(after, names)
    found = compare(first.serves, second.serves, paired=paired)
    _print_changes(found)
    quality = (*first.quality, *second.quality)
    print_notes((*found.notes, *quality))
    path = _page_path(out, [*before, *after], "retest.html")
    invented = first.invented or second.invented
    write_page(path, render_retest(found, first.serves, second.serves, invented=invented))
    OUT.print(f"page: {path}", soft_wrap=True)
    _look_first(quality)


def _look_first(quality: tuple[str, ...]) -> None:
    if quality:
        ERR.print("some serves are below the quality gate: read the notes before relying on a value")
        raise typer.Exit(3)


def _screens(
    path: Path | None, sessions: Sequence[Path], serves: Sequence[MeasuredServe]
) -> ScreenSection | None:
    """The screens beside the sessions, or as told, for showing; None without any."""
    from recon.repeats import youngest
    from recon.report.sections import screen_section
    from recon.screens import find_screens

    path = path if path is not None else find_screens(sessions)
    if path is None:
        return None
    return screen_section(path, youngest(serves))


def _print_series(summaries: Sequence[Summary]) -> None:
    from recon.report.series_words import summary_row

    rows = [summary_row(s) for s in summaries]
    table = table_of("measure", "serves", "mean", "typical error", "measuring", "detectable change", "stays")
    for row in rows:
        if not row.reason:
            table.add_row(row.label, row.n, row.mean, row.typical, row.measuring, row.sdc, row.stays)
    OUT.print(table)
    left = [r for r in rows if r.reason]
    if left:
        OUT.print(f"without a mean: {len(left)}; the page says why")


def _print_findings(groups: Sequence[FindingGroup]) -> None:
    from recon.findings.shown import CAUTIONS

    for group in groups:
        _print_group(group)
    for caution in CAUTIONS:
        OUT.print(caution, soft_wrap=True)


def _print_group(group: FindingGroup) -> None:
    OUT.print(f"\n[bold]Findings[/bold], {group.kind}: {len(group.serves)} serves", soft_wrap=True)
    for head, cards in (("", group.found), ("strength: ", group.strengths), ("", group.hints)):
        for card in cards:
            OUT.print(f"- {head}{card.title}: {card.sentence}", soft_wrap=True, markup=False)
            _print_ask(card)
    OUT.print(f"looked for besides: {len(group.rest)}")


def _print_ask(card: FindingCard) -> None:
    if card.ask:
        OUT.print(f"  {card.ask}", soft_wrap=True, markup=False)


def _print_screens(lines: Sequence[ScreenLine], notes: Sequence[str]) -> None:
    OUT.print("\n[bold]Screens[/bold], entered by hand")
    table = table_of("screen", "left", "right", "apart", "flag", "grade")
    for line in lines:
        table.add_row(line.label, line.left, line.right, line.apart, line.flag or "none", line.grade)
    OUT.print(table)
    for note in notes:
        OUT.print(note, soft_wrap=True)


def _print_changes(found: Retest) -> None:
    from recon.report.series_words import chance_text, change_row, common_text

    rows = [change_row(c) for c in found.changes]
    table = table_of("measure", "before", "after", "difference", "p (alone)", "verdict")
    for row in sorted(rows, key=lambda r: r.verdict != "real change"):
        if not row.reason:
            table.add_row(row.label, row.before, row.after, row.difference, row.p, row.verdict)
    OUT.print(table)
    left = [r for r in rows if r.reason]
    if left:
        OUT.print(f"not compared: {len(left)}, the first because {left[0].reason}", soft_wrap=True)
    OUT.print(chance_text(found), soft_wrap=True)
    OUT.print(common_text(found), soft_wrap=True)
