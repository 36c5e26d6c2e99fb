"""Judging rules over like serves, with the uncertainty of every measure.

The probability of one condition is that of a normal error with the measure's own u. Conditions of one rule
share errors (one camera, one calibration), and how is not kept, so their joint probability is not their
product; the lower bound of Fréchet and Boole holds whatever they share: P(all) ≥ 1 − Σ (1 − Pᵢ). A rule is
seen in a serve only where that bound reaches 0.9, which is careful.

Seen in three of at least five like serves it counts as found. More serves do not make a systematic error
smaller; it is inside every probability.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr

from recon.findings.rules import Condition, Rule
from recon.records import Measure
from recon.repeats import MeasuredServe, like_groups, youngest

PROBABILITY = 0.9
SEEN = 3
LIKE_SERVES = 5

Verdict = Literal["found", "not found", "film more", "not judged"]


@dataclass(frozen=True, slots=True)
class Judged:
    """One rule over one group of like serves.

    seen          names of the serves in which all conditions held with probability 0.9 or more
    judged        names of the serves in which it could be told
    missing       (serve, what was missing) of the others
    labels        per condition: the measure's label
    values        per condition: (value, u) in every serve judged
    probability   per serve judged: the lower bound of the joint probability
    """

    rule: Rule
    verdict: Verdict
    seen: tuple[str, ...]
    judged: tuple[str, ...]
    missing: tuple[tuple[str, str], ...]
    labels: tuple[str, ...]
    values: tuple[tuple[tuple[float, float], ...], ...]
    probability: tuple[float, ...]
    age_years: float | None


def judge_all(
    rules: Sequence[Rule], serves: Sequence[MeasuredServe]
) -> tuple[tuple[tuple[MeasuredServe, ...], list[Judged]], ...]:
    """(like serves, every rule judged over them), the largest kind of serve first."""
    return tuple((group, [judge(rule, group) for rule in rules]) for group in like_groups(serves))


def judge(rule: Rule, serves: Sequence[MeasuredServe]) -> Judged:
    """One rule over serves of one kind; their order does not matter."""
    told: list[tuple[str, list[Measure], float]] = []
    missing: list[tuple[str, str]] = []
    for serve in sorted(serves, key=lambda s: s.name):
        found, why = _measures(rule, serve)
        if why:
            missing.append((serve.name, why))
        else:
            told.append((serve.name, found, _joint(rule, found, serve.age_years)))
    seen = tuple(name for name, _, p in told if p >= PROBABILITY)
    values = tuple(
        tuple((float(row[k].value or 0.0), float(row[k].u or 0.0)) for _, row, _ in told)
        for k in range(len(rule.conditions))
    )
    return Judged(
        rule, _verdict(len(seen), len(told)), seen, tuple(name for name, _, _ in told), tuple(missing),
        _labels(rule, serves), values, tuple(p for _, _, p in told), youngest(serves),
    )  # fmt: skip


def _labels(rule: Rule, serves: Sequence[MeasuredServe]) -> tuple[str, ...]:
    known = {m.name: m.label for serve in serves for m in serve.measures.measures}
    return tuple(known.get(c.measure, c.measure) for c in rule.conditions)


def _verdict(seen: int, judged: int) -> Verdict:
    if judged == 0:
        return "not judged"
    if judged < LIKE_SERVES:
        return "film more"
    return "found" if seen >= SEEN else "not found"


def _measures(rule: Rule, serve: MeasuredServe) -> tuple[list[Measure], str]:
    """The measures that a rule needs of one serve; or what is missing."""
    by_name = {m.name: m for m in serve.measures.measures}
    found, lacking = [], []
    for condition in rule.conditions:
        m = by_name.get(condition.measure)
        if condition.limits(serve.age_years) is None:
            label = condition.measure if m is None else m.label
            lacking.append(f"{label}: adults' published values are not used under 16 or at unknown age")
        elif m is None or m.value is None:
            lacking.append(f"{condition.measure}: not in the record" if m is None else f"{m.label}: {m.reason}")
        else:
            found.append(m)
    return found, "; ".join(lacking)


def _joint(rule: Rule, measures: Sequence[Measure], age_years: float | None) -> float:
    """Lower bound of the probability that every condition holds."""
    each = [probability(c, m, age_years) for c, m in zip(rule.conditions, measures, strict=True)]
    return max(0.0, 1.0 - sum(1.0 - p for p in each))


def probability(condition: Condition, m: Measure, age_years: float | None) -> float:
    """How probable it is that the true value of a present measure lies where the condition wants it."""
    limits = condition.limits(age_years)
    assert limits is not None and m.value is not None
    low, high = limits
    under_low = 0.0 if low is None else _below(m, low)
    under_high = 1.0 if high is None else _below(m, high)
    return max(0.0, under_high - under_low)


def _below(m: Measure, limit: float) -> float:
    """Probability that the true value lies below a limit."""
    assert m.value is not None and m.u is not None
    return float(ndtr((limit - m.value) / m.u)) if m.u > 0 else float(limit > m.value)


def mean_of(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """(mean, mean u) of a condition's values; u is that of one serve, as more serves may not make it less."""
    x = np.asarray(values, dtype=float)
    return float(x[:, 0].mean()), float(x[:, 1].mean())
