"""Findings and screens ready for a page: judged rules sorted for showing, screens with their words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from recon.bands import adult
from recon.findings import FindingCard, Judged, card_of, judge_all, load_rules
from recon.repeats import MeasuredServe, label_words, names_of, serve_of
from recon.result import Result
from recon.screens import BESIDE, YOUNG, ScreenLine, find_screens, load_screens, screen_lines


@dataclass(frozen=True, slots=True)
class FindingGroup:
    """The findings over serves of one kind. rest: looked for and not found, or not to be judged."""

    kind: str
    serves: tuple[str, ...]
    found: tuple[FindingCard, ...]
    strengths: tuple[FindingCard, ...]
    hints: tuple[FindingCard, ...]
    rest: tuple[FindingCard, ...]


@dataclass(frozen=True, slots=True)
class ScreenSection:
    """The screens of the player with the words that always stand beside them."""

    lines: tuple[ScreenLine, ...]
    taken: str
    notes: tuple[str, ...]


def finding_group(serves: Sequence[MeasuredServe], judged: Sequence[Judged]) -> FindingGroup:
    """Judged rules sorted for showing; within each part the order of the chain is kept."""
    cards = [card_of(j) for j in judged]
    hints = [c for c, j in zip(cards, judged, strict=True) if j.verdict == "film more" and j.seen]
    found = [c for c in cards if c.verdict == "found"]
    return FindingGroup(
        label_words(serves[0].labels),
        tuple(s.name for s in serves),
        tuple(c for c in found if c.kind == "finding"),
        tuple(c for c in found if c.kind == "strength"),
        tuple(hints),
        tuple(c for c in cards if c not in found and c not in hints),
    )


def findings_of_one(result: Result) -> FindingGroup:
    """The program's rules held against one serve: seen or not, never found, for that takes several."""
    folder = result.session.folder
    serve = serve_of(result, names_of([folder])[folder.resolve()])
    [(serves, judged)] = judge_all(load_rules(), [serve])
    return finding_group(serves, judged)


def screen_section(path: Path, age_years: float | None) -> ScreenSection:
    """A file of screens for showing, with when and by whom they were taken. Raises BadInput for a bad file."""
    taken = load_screens(path)
    words = [f"on {taken.date}" if taken.date else "", f"by {taken.taken_by}" if taken.taken_by else ""]
    told = " ".join(w for w in words if w)
    notes = (BESIDE,) if adult(age_years) else (BESIDE, YOUNG)
    return ScreenSection(screen_lines(taken, age_years), f"taken {told}" if told else "", notes)


def screens_of_one(result: Result) -> ScreenSection | None:
    """The screens beside a session, or in the folder that it lies in; None without any.

    Raises BadInput for a bad file.
    """
    path = find_screens([result.session.folder])
    return None if path is None else screen_section(path, result.session.file.age_years)
