"""Rules: what is refused in their file, probabilities by hand, when a rule fires, and what a card says."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from calibration import BadInput
from recon.findings import Condition, Judged, Rule, card_of, judge, judge_all, load_rules
from recon.findings.judge import probability
from recon.findings.rules import CHAIN
from recon.records import Measure
from recon.repeats import MeasuredServe
from tests.support.invented_serves import LABELS, measured, serve

DEG = float(np.pi / 180)
TEXTS = """
title = "An invented rule"
kind = "finding"
chain = "feet"
evidence = "common practice"
source = "nobody"
says = "Something was seen."
changes = "The surface."
ask = "A licensed professional can look."
retest = "the same"
"""


def rules_in(folder: Path, when: str, head: str = 'name = "made_up"', texts: str = TEXTS) -> tuple[Rule, ...]:
    path = folder / "rules.toml"
    path.write_text(f"[[rule]]\n{head}\n{texts}\n{when}", encoding="utf-8")
    return load_rules(path)


TURN = '[[rule.when]]\nmeasure = "front_foot_turn"\nabove_deg = 20\n'
SLIDE = '[[rule.when]]\nmeasure = "front_toe_slide"\nabove_cm = 5\n'


# -- the file --------------------------------------------------------------------------------------------


def test_limits_are_read_in_their_units(tmp_path: Path) -> None:
    (rule,) = rules_in(tmp_path, TURN + SLIDE)
    turn, slide = rule.conditions
    assert (turn.low, turn.high) == (pytest.approx(20 * DEG), None)
    assert (slide.low, slide.high) == (pytest.approx(0.05), None)
    assert "this project's choice" in turn.basis


@pytest.mark.parametrize(
    ("when", "said"),
    [
        ('[[rule.when]]\nmeasure = "front_foot_trun"\nabove_deg = 20', "trun: no measure of that name"),
        ('[[rule.when]]\nmeasure = "front_foot_turn"\nabove_cm = 20', "want a limit for a measure in rad"),
        ('[[rule.when]]\nmeasure = "front_foot_turn"\nabove_degrees = 20', "unknown key above_degrees"),
        ('[[rule.when]]\nmeasure = "front_foot_turn"\nover_deg = 20', "unknown key over_deg"),
        ('[[rule.when]]\nmeasure = "front_foot_turn"\nabove_deg = "20"', "want a number"),
        ('[[rule.when]]\nmeasure = "front_foot_turn"\nabove_deg = nan', "want a number"),
        ('[[rule.when]]\nmeasure = "front_foot_turn"', "want limits such as above_deg, or band"),
        ('[[rule.when]]\nmeasure = "front_foot_turn"\nband = "above"', "no published band"),
        ('[[rule.when]]\nmeasure = "front_foot_turn"\nabove_deg = 9\nbelow_deg = 3', "above less than below"),
        (TURN + TURN, "each measure once per rule"),
        ("", "when"),
    ],
)  # fmt: skip
def test_a_rule_that_cannot_be_meant_is_refused(when: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=said) as error:
        rules_in(tmp_path, when)
    assert "rules.toml" in str(error.value)


def test_a_finding_without_whom_to_ask_and_two_of_one_name_are_refused(tmp_path: Path) -> None:
    without = "\n".join(line for line in TEXTS.splitlines() if not line.startswith("ask"))
    with pytest.raises(BadInput, match="whom to ask"):
        rules_in(tmp_path, TURN, texts=without)
    both = f'name = "made_up"\n{TEXTS}\n{TURN}\n[[rule]]\nname = "made_up"'
    with pytest.raises(BadInput, match="got twice: made_up"):
        rules_in(tmp_path, TURN, head=both)
    with pytest.raises(BadInput, match="found none"):
        load_rules(tmp_path / "nowhere.toml")


# -- probabilities ---------------------------------------------------------------------------------------


def turned(deg: float | None, u_deg: float = 5.0) -> Measure:
    return measured("front_foot_turn", None if deg is None else deg * DEG, {"pixels": u_deg * DEG}, "rad")


@pytest.mark.parametrize(
    ("low_deg", "high_deg", "want"),
    [(20, None, 0.8413), (25, None, 0.5), (None, 30, 0.8413), (20, 30, 0.6827), (None, 15, 0.0228)],
)
def test_probabilities_are_those_of_a_normal_table(
    low_deg: float | None, high_deg: float | None, want: float
) -> None:
    """25° with u 5°, limits one or two u away."""
    low, high = (None if d is None else d * DEG for d in (low_deg, high_deg))
    condition = Condition("front_foot_turn", "rad", low, high, "test")
    assert probability(condition, turned(25.0), 30.0) == pytest.approx(want, abs=1e-4)


def test_several_conditions_have_the_lower_bound_that_always_holds(tmp_path: Path) -> None:
    """Two conditions of 0.8413 each: at least 1 − 2 · 0.1587; one of 0.5 and one of 0.0228: nothing is sure."""
    (rule,) = rules_in(tmp_path, TURN + SLIDE)
    slide = measured("front_toe_slide", 0.06, {"pixels": 0.01})
    assert judge(rule, [serve("a", turned(25.0), slide)]).probability == pytest.approx([0.6827], abs=1e-4)
    short = measured("front_toe_slide", 0.03, {"pixels": 0.01})
    assert judge(rule, [serve("a", turned(20.0), short)]).probability == (0.0,)


def test_the_bound_holds_for_errors_that_are_shared_or_opposed(tmp_path: Path) -> None:
    (rule,) = rules_in(tmp_path, TURN + SLIDE)
    bound = judge(
        rule, [serve("a", turned(27.0), measured("front_toe_slide", 0.065, {"p": 0.01}))]
    ).probability[0]
    z = np.random.default_rng(2).standard_normal(100_000)
    for other in (z, -z, np.random.default_rng(3).standard_normal(100_000)):
        both = (27 + 5 * z > 20) & (0.065 + 0.01 * other > 0.05)
        assert both.mean() >= bound - 0.005


# -- firing ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seen", "of", "absent", "verdict", "sentence"),
    [
        (3, 5, 0, "found", "seen in 3 of 5 like serves, with probability 0.9 or more each"),
        (2, 5, 0, "not found", "seen in 2 of 5 like serves; it takes 3"),
        (3, 4, 0, "film more", "seen 3 times in 4 like serves; it takes at least 5: film more"),
        (1, 1, 0, "film more", "seen once, in the one serve judged; it takes at least 5 like serves: film"),
        (0, 1, 2, "film more", "not seen in the one serve judged; it takes at least 5 like serves"),
        (2, 4, 0, "film more", "seen twice in 4"),
        (0, 4, 0, "film more", "not seen in 4"),
        (3, 4, 2, "film more", "seen 3 times in 4"),
        (3, 5, 2, "found", "seen in 3 of 5"),
        (0, 0, 3, "not judged", "could not be judged in any serve"),
        (7, 9, 0, "found", "seen in 7 of 9"),
    ],
)
def test_when_a_rule_fires(
    seen: int, of: int, absent: int, verdict: str, sentence: str, tmp_path: Path
) -> None:
    (rule,) = rules_in(tmp_path, TURN)
    degrees = [40.0] * seen + [10.0] * (of - seen) + [None] * absent
    judged = judge(rule, [serve(f"s{k}", turned(d)) for k, d in enumerate(degrees)])
    assert judged.verdict == verdict and len(judged.missing) == absent
    assert card_of(judged).sentence.startswith(sentence)


def test_an_unsure_serve_does_not_count_however_large_its_value(tmp_path: Path) -> None:
    (rule,) = rules_in(tmp_path, TURN)
    sure = 20 + 1.2816 * 5  # the value at which the probability is 0.9
    for shift, verdict in ((0.05, "found"), (-0.05, "not found")):
        serves = [serve(f"s{k}", turned(sure + shift)) for k in range(5)]
        assert judge(rule, serves).verdict == verdict


def test_an_absent_measure_is_named(tmp_path: Path) -> None:
    (rule,) = rules_in(tmp_path, TURN + SLIDE)
    card = card_of(
        judge(rule, [serve("a", turned(40.0), measured("front_toe_slide", None)), serve("b", turned(9))])
    )
    assert card.missing == (
        "a: front toe slide: hidden from all cameras but one",
        "b: front_toe_slide: not in the record",
    )
    assert card.conditions[0].value == "not measured"


def test_only_like_serves_count_together(tmp_path: Path) -> None:
    rules = rules_in(tmp_path, TURN)
    kick = LABELS.model_copy(update={"type": "kick"})
    serves = [serve(f"f{k}", turned(40.0)) for k in range(4)] + [serve("k", turned(40.0), labels=kick)]
    told = [(len(group), [j.verdict for j in judged]) for group, judged in judge_all(rules, serves)]
    assert told == [(4, ["film more"]), (1, ["film more"])]
    told = [j.verdict for _, judged in judge_all(rules, [*serves, serve("f4", turned(40.0))]) for j in judged]
    assert told == ["found", "film more"]


def test_the_order_of_serves_does_not_matter(tmp_path: Path) -> None:
    (rule,) = rules_in(tmp_path, TURN)
    serves = [serve(f"s{k}", turned(10.0 * k)) for k in range(5)]
    assert judge(rule, serves[::-1]) == judge(rule, serves)


@pytest.mark.parametrize(("age", "verdict"), [(15.9, "not judged"), (None, "not judged"), (16.0, "found")])
def test_bands_of_adults_are_not_held_against_the_young(
    age: float | None, verdict: str, tmp_path: Path
) -> None:
    """40° with u 3° is far below the mean less one standard deviation, 54.8°."""
    (rule,) = rules_in(tmp_path, '[[rule.when]]\nmeasure = "front_knee_flexion_trophy"\nband = "below"')
    knee = measured("front_knee_flexion_trophy", 40 * DEG, {"pixels": 3 * DEG}, "rad")
    judged = judge(rule, [serve(f"s{k}", knee, age_years=age) for k in range(5)])
    card = card_of(judged)
    assert judged.verdict == verdict
    assert ("64.5" in card.conditions[0].limit) == (verdict == "found")
    assert any("under 16" in c for c in card.cautions) == (verdict != "found")


@pytest.mark.parametrize(("other", "careful"), [(None, True), (15.0, True), (24.0, False)])
def test_one_young_serve_or_one_of_unknown_age_is_enough_for_care(
    other: float | None, careful: bool, tmp_path: Path
) -> None:
    (rule,) = rules_in(tmp_path, TURN)
    serves = [serve("a", turned(40.0), age_years=24.0), serve("b", turned(40.0), age_years=other)]
    assert any("under 16" in c for c in card_of(judge(rule, serves)).cautions) is careful


# -- the program's own rules -----------------------------------------------------------------------------

OWN = load_rules()


def test_the_chain_is_told_from_the_feet_up() -> None:
    places = [CHAIN.index(r.chain) for r in OWN]
    assert all(a <= b for a, b in pairwise(places))
    findings = [r for r in OWN if r.kind == "finding"]
    assert len(findings) >= 6 and any(r.kind == "strength" for r in OWN)
    assert findings[0].name == "turn_at_the_front_foot" and findings[-1].chain == "landing"


def fitting(rule: Rule, wrong: int | None = None) -> list[MeasuredServe]:
    """Five serves that meet every condition by far, but for the one numbered `wrong`."""
    rows = []
    for k, c in enumerate(rule.conditions):
        limits = c.limits(30.0)
        assert limits is not None
        low, high = limits
        value = (low + high) / 2 if low is not None and high is not None else (low or 0.0) + 1.0
        if low is None and high is not None:
            value = high - 1.0
        if k == wrong:
            edge = high if high is not None else low
            assert edge is not None
            value = edge + 0.5 if high is not None else edge - 0.5
        rows.append(measured(c.measure, value, {"pixels": 1e-4}, c.unit))
    return [serve(f"s{k}", *rows, age_years=30.0) for k in range(5)]


@pytest.mark.parametrize("rule", OWN, ids=lambda r: r.name)
def test_every_rule_fires_when_all_its_conditions_hold_and_not_when_one_fails(rule: Rule) -> None:
    assert judge(rule, fitting(rule)).verdict == "found"
    for k in range(len(rule.conditions)):
        assert judge(rule, fitting(rule, wrong=k)).verdict == "not found"


@pytest.mark.parametrize("rule", OWN, ids=lambda r: r.name)
def test_every_rule_says_its_limits_where_they_come_from_and_no_diagnosis(rule: Rule) -> None:
    card = card_of(judge(rule, fitting(rule)))
    text = " ".join(
        str(getattr(card, f)) for f in ("title", "says", "changes", "ask", "retest", "source")
    ).lower()
    for word in ("diagnos", "injur", "disease", "weakness", "patholog", "you have", "should "):
        assert word not in text
    if rule.kind == "finding":
        assert "licensed" in card.ask
    assert any("licensed professional" in c for c in card.cautions)
    for line, condition in zip(card.conditions, rule.conditions, strict=True):
        assert line.basis and any(w in line.limit for w in ("above", "below", "between", "within"))
        if condition.band is not None:
            assert condition.published(30.0) is not None and "±" in line.limit
    if rule.evidence == "published":
        assert any(c.band is not None for c in rule.conditions)


def test_a_finding_and_a_strength_never_hold_for_the_same_serves() -> None:
    """Where both speak of a measure, their limits do not overlap."""
    for finding in (r for r in OWN if r.kind == "finding"):
        for strength in (r for r in OWN if r.kind == "strength"):
            for a in finding.conditions:
                for b in (c for c in strength.conditions if c.measure == a.measure):
                    la, lb = a.limits(30.0), b.limits(30.0)
                    assert la is not None and lb is not None
                    low = max(x for x in (la[0], lb[0], -np.inf) if x is not None)
                    high = min(x for x in (la[1], lb[1], np.inf) if x is not None)
                    assert low >= high, (finding.name, strength.name, a.measure)


def test_a_card_is_texts_only() -> None:
    judged: Judged = judge(OWN[0], fitting(OWN[0]))
    card = card_of(judged)
    assert card.verdict == "found" and card.conditions[0].limit == "above 20°"
    assert card.conditions[-1].limit == "below 0 cm"
    assert replace(card, title="x").title == "x"
