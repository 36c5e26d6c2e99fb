"""A judged rule as plain words, for a page or a terminal: nothing but texts, so that any page can show it."""

from __future__ import annotations

from dataclasses import dataclass

from recon.bands import adult
from recon.findings.judge import LIKE_SERVES, PROBABILITY, SEEN, Judged, mean_of
from recon.findings.rules import Condition
from recon.wording import estimate_text

CAUTIONS = (
    "Pain or injury goes to a licensed professional before any change of technique or load.",
    "This describes a movement. It is not a diagnosis, and does not say why a body moves that way.",
    "Change one thing at a time, raise load step by step, and measure again.",
)
_YOUNG = (
    "The limits are habits of coaching adults. For a player under 16, or of unknown age, they are at most a "
    "hint: a growing body moves, and changes, in its own way."
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ConditionLine:
    """What was measured for one condition, what it was held against, and where that limit comes from."""

    label: str
    value: str
    limit: str
    basis: str


@dataclass(frozen=True, slots=True)
class FindingCard:
    """A judged rule as a page shows it. verdict: "found", "not found", "film more" or "not judged"."""

    name: str
    title: str
    kind: str
    chain: str
    verdict: str
    sentence: str
    says: str
    conditions: tuple[ConditionLine, ...]
    evidence: str
    source: str
    changes: str
    ask: str
    retest: str
    missing: tuple[str, ...]
    cautions: tuple[str, ...]


def card_of(judged: Judged) -> FindingCard:
    """The words of one judged rule."""
    rule = judged.rule
    lines = tuple(_line(judged, k, c) for k, c in enumerate(rule.conditions))
    cautions = CAUTIONS if adult(judged.age_years) else (*CAUTIONS, _YOUNG)
    return FindingCard(
        rule.name, rule.title, rule.kind, rule.chain, judged.verdict, sentence_of(judged), rule.says, lines,
        rule.evidence, rule.source, rule.changes, rule.ask, rule.retest,
        tuple(f"{serve}: {why}" for serve, why in judged.missing), cautions,
    )  # fmt: skip


def sentence_of(judged: Judged) -> str:
    """The verdict in one sentence, with how many serves it rests on."""
    seen, told = len(judged.seen), len(judged.judged)
    sure = f"with probability {PROBABILITY:g} or more each"
    if judged.verdict == "not judged":
        return "could not be judged in any serve"
    if judged.verdict == "film more":
        if told == 1:
            times = "seen once," if seen else "not seen"
            return f"{times} in the one serve judged; it takes at least {LIKE_SERVES} like serves: film more"
        times = {0: "not seen", 1: "seen once", 2: "seen twice"}.get(seen, f"seen {seen} times")
        return f"{times} in {told} like serves; it takes at least {LIKE_SERVES}: film more"
    where = f"seen in {seen} of {told} like serves"
    return f"{where}, {sure}" if judged.verdict == "found" else f"{where}; it takes {SEEN}, {sure}"


def _line(judged: Judged, k: int, condition: Condition) -> ConditionLine:
    values = judged.values[k]
    value = "not measured"
    if values:
        mean, u = mean_of(values)
        value = estimate_text(mean, 2 * u, condition.unit)
    return ConditionLine(judged.labels[k], value, _limit(condition, judged.age_years), condition.basis)


def _limit(condition: Condition, age_years: float | None) -> str:
    if condition.band is not None:
        band = condition.published(age_years)
        if band is None:
            return f"{condition.band} adults' published values: not used under 16 or at unknown age"
        return f"{condition.band} {band.text}; ± is one standard deviation between players"
    return condition.limit_words
