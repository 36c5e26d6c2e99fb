"""Series and retests in the words and units of a reader: rows of texts for pages and terminals alike."""

from __future__ import annotations

from dataclasses import dataclass

from recon.repeats import COMMON_SHARE, Change, Retest, Summary
from recon.wording import estimate_text, range_text, size_text


@dataclass(frozen=True, slots=True)
class SummaryRow:
    """One measure of a series. reason: why there is no mean; then the other texts are empty."""

    name: str
    label: str
    n: str
    mean: str
    typical: str
    measuring: str
    own: str
    sdc: str
    stays: str
    reason: str


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One measure before and after. reason: why it was not compared."""

    name: str
    label: str
    before: str
    after: str
    difference: str
    interval: str
    p: str
    verdict: str
    sdc: str
    stays: str
    reason: str


def summary_row(s: Summary) -> SummaryRow:
    """The words of one summary."""
    n = f"{s.n} of {s.n + len(s.missing)}"
    if s.mean is None:
        return SummaryRow(s.name, s.label, n, "", "", "", "", "", "", s.reason)
    typical = "one serve does not tell"
    if s.typical_error is not None and s.te_low95 is not None and s.te_high95 is not None:
        typical = size_text(s.typical_error, s.unit)
        if s.typical_error > 0:
            typical += f" ({range_text(s.te_low95, s.te_high95, s.unit)})"
    own = "" if s.typical_error is None else "no more than measuring"
    return SummaryRow(
        s.name, s.label, n, mean_text(s), typical,
        size_text(s.measuring or 0.0, s.unit),
        own if s.own is None else size_text(s.own, s.unit),
        "" if s.sdc is None else size_text(s.sdc, s.unit),
        _stays(s),
        "",
    )  # fmt: skip


def mean_text(s: Summary) -> str:
    """'31 ± 4 cm' of a series' mean; ± is half of its 95 % interval."""
    if s.mean is None or s.low95 is None or s.high95 is None:
        return "not measured"
    return estimate_text(s.mean, (s.high95 - s.low95) / 2, s.unit)


def _stays(s: Summary) -> str:
    """The part of the mean's u that more serves do not make smaller, and its largest source."""
    if not s.systematic or not s.u_systematic:
        return "nothing"
    largest = max(s.systematic, key=lambda row: row[1])[0]
    return f"{size_text(s.u_systematic, s.unit)}, mostly {largest}"


def change_row(c: Change) -> ChangeRow:
    """The words of one change."""
    before, after = mean_text(c.before), mean_text(c.after)
    if c.difference is None or c.low95 is None or c.high95 is None or c.p is None or c.p_adjusted is None:
        return ChangeRow(c.name, c.label, before, after, "", "", "", c.verdict, "", "", c.reason)
    return ChangeRow(
        c.name, c.label, before, after,
        estimate_text(c.difference, (c.high95 - c.low95) / 2, c.unit),
        range_text(c.low95, c.high95, c.unit),
        f"{_p_text(c.p_adjusted)} ({_p_text(c.p)})",
        c.verdict,
        size_text(c.sdc or 0.0, c.unit),
        size_text(c.u_systematic, c.unit) if c.u_systematic else "nothing",
        "",
    )  # fmt: skip


def _p_text(p: float) -> str:
    return "under 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


def chance_text(r: Retest) -> str:
    """How many findings chance alone would bring, and what was done about it."""
    if not r.compared:
        return "No measure could be compared."
    return (
        f"{r.compared} measures were compared. Had nothing changed, up to about {r.expected_by_chance:.1f} of "
        "the 95 % intervals would miss zero by chance alone. The verdicts keep that in mind: of the changes "
        "called real, at most about one in twenty is expected to be chance (Benjamini-Hochberg)."
    )


def common_text(r: Retest) -> str:
    """What was taken to cancel between the two series."""
    if not r.common:
        return (
            "Nothing systematic was taken to cancel between the two series: they share neither a rig file nor, "
            "by name, a player measured in one way."
        )
    return (
        f"Both series share their errors from {', '.join(r.common)} in part: a correlation of "
        f"{COMMON_SHARE:g} was taken between them, a careful choice of this project, and cancels in "
        "the difference."
    )
