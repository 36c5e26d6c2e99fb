"""Repeated serves: typical error and detectable change by hand, parts of u, retests, labels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from calibration import BadInput
from recon.repeats import MeasuredServe, like, like_groups, names_of, notes_on_labels, retest, summarise
from recon.repeats.systematic import of_difference
from tests.support.invented_serves import LABELS, measured, serve

TINY = {"pixels": 1e-9}
NAME = "contact_height"


def series(
    values: list[float | None], sources: dict[str, float] | None = None, start: str = "s"
) -> list[MeasuredServe]:
    rows = [measured(NAME, v, TINY if sources is None else sources) for v in values]
    return [serve(f"{start}{k:02d}", row) for k, row in enumerate(rows)]


# -- one series ------------------------------------------------------------------------------------------


def test_scatter_of_five_serves_by_hand() -> None:
    """2, 4, 4, 4, 6 cm: mean 4, SD √2 (4 + 4 over 4); χ² of 4 degrees: 11.143 and 0.4844 (tables)."""
    (s,) = summarise(series([0.02, 0.04, 0.04, 0.04, 0.06]))
    assert (s.n, s.mean, s.dof) == (5, pytest.approx(0.04), 4)
    assert s.typical_error == pytest.approx(0.01 * 2**0.5)
    assert s.sdc == pytest.approx(1.96 * 2**0.5 * 0.01 * 2**0.5)  # 3.92 cm
    assert s.te_low95 == pytest.approx(0.01 * 2**0.5 * (4 / 11.143) ** 0.5, rel=1e-4)
    assert s.te_high95 == pytest.approx(0.01 * 2**0.5 * (4 / 0.4844) ** 0.5, rel=1e-4)
    half = 2.7764 * 0.01 * 2**0.5 / 5**0.5  # Student's t with 4 degrees, from tables
    assert (s.low95, s.high95) == (pytest.approx(0.04 - half, rel=1e-4), pytest.approx(0.04 + half, rel=1e-4))


def test_the_interval_of_a_mean_is_scipys_where_nothing_is_systematic() -> None:
    values = [0.311, 0.287, 0.301, 0.342, 0.296, 0.305]
    (s,) = summarise(series(list(values)))
    want = stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert (s.low95, s.high95) == (pytest.approx(want.low), pytest.approx(want.high))


def test_what_of_the_scatter_is_measuring_and_what_is_the_players() -> None:
    """SD √2 cm with 1 cm of random u leaves 1 cm as the player's own."""
    (s,) = summarise(series([0.02, 0.04, 0.04, 0.04, 0.06], {"pixels": 0.006, "clocks": 0.008}))
    assert s.measuring == pytest.approx(0.01) and s.own == pytest.approx(0.01)
    (s,) = summarise(series([0.02, 0.04, 0.04, 0.04, 0.06], {"pixels": 0.02}))
    assert s.own is None


def test_serves_that_lie_together_by_chance_do_not_beat_measuring() -> None:
    (s,) = summarise(series([0.30, 0.30, 0.30, 0.30], {"pixels": 0.02}))
    assert s.typical_error == 0.0
    assert s.u_random == pytest.approx(0.01)  # 2 cm over √4
    assert s.sdc == pytest.approx(1.96 * 2**0.5 * 0.02)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(-1, 1), min_size=2, max_size=7),
    st.floats(0.001, 0.1),
    st.floats(0.001, 0.1),
    st.integers(2, 5),
)
def test_more_serves_shrink_the_random_part_and_nothing_else(
    values: list[float], random: float, calibration: float, times: int
) -> None:
    sources = {"pixels": random, "calibration": calibration, "joint centres": 0.01, "shoe outline": 0.002}
    (few,) = summarise(series(list(values), sources))
    (many,) = summarise(series(list(values) * times, sources))
    assert many.mean == pytest.approx(few.mean)
    assert many.u_systematic == pytest.approx((calibration**2 + 0.01**2 + 0.002**2) ** 0.5)
    assert many.u_systematic == pytest.approx(few.u_systematic)
    assert many.u_random is not None and few.u_random is not None
    assert many.u_random < few.u_random
    floor = random / (len(values) * times) ** 0.5
    assert many.u_random >= floor * (1 - 1e-9)


@settings(max_examples=25, deadline=None)
@given(st.permutations(range(5)))
def test_the_order_of_the_serves_does_not_matter(order: list[int]) -> None:
    one = series([0.1, 0.2, 0.4, None, 0.3], {"pixels": 0.02, "calibration": 0.01})
    assert summarise([one[k] for k in order]) == summarise(one)


def test_u_that_no_source_accounts_for_counts_as_systematic() -> None:
    bare = measured(NAME, 0.3, {"pixels": 0.03})
    rows = [serve(n, type(bare)(NAME, "x", "m", 0.3, 0.05, 0.2, 0.4, {"pixels": 0.03})) for n in "ab"]
    (s,) = summarise(rows)
    assert s.u_systematic == pytest.approx(0.04)  # 5² = 3² + 4²


def test_one_serve_tells_no_scatter() -> None:
    (s,) = summarise(series([0.3], {"pixels": 0.03, "calibration": 0.04}))
    assert (s.typical_error, s.sdc, s.own) == (None, None, None)
    assert s.high95 is not None and s.mean == 0.3
    assert s.high95 - s.mean == pytest.approx(1.96 * 0.05, rel=1e-3)


def test_absent_values_are_counted_with_their_reason() -> None:
    (s,) = summarise(series([0.3, None, 0.4]))
    assert s.n == 2 and s.missing == (("s01", "hidden from all cameras but one"),)
    (s,) = summarise(series([None, None]))
    assert s.mean is None and "none of 2 serves: hidden" in s.reason


def test_directions_more_than_half_a_turn_apart_have_no_mean() -> None:
    rows = [serve(n, measured("front_foot_yaw_stance", v, TINY, "rad")) for n, v in (("a", -3.1), ("b", 3.1))]
    (s,) = summarise(rows)
    assert s.mean is None and "half a turn" in s.reason


def test_two_players_no_serves_and_the_same_serve_twice_are_refused() -> None:
    one = series([0.3])
    with pytest.raises(BadInput, match="serves of one player, got sessions of Invented A, Invented B"):
        summarise([*one, serve("other", measured(NAME, 0.3), athlete="Invented B")])
    with pytest.raises(BadInput, match="got none"):
        summarise([])
    with pytest.raises(BadInput, match="got twice: s00"):
        summarise([*one, *one])


# -- two series ------------------------------------------------------------------------------------------

BEFORE = [0.311, 0.287, 0.301, 0.342, 0.296, 0.305]
AFTER = [0.352, 0.334, 0.361, 0.349]


def test_a_retest_is_welchs_where_nothing_is_systematic() -> None:
    (c,) = retest(series(list(BEFORE)), series(list(AFTER), start="t")).changes
    want = stats.ttest_ind(AFTER, BEFORE, equal_var=False)
    inside = want.confidence_interval(0.95)
    assert c.p == pytest.approx(want.pvalue)
    assert (c.low95, c.high95) == (pytest.approx(inside.low), pytest.approx(inside.high))
    assert c.dof == pytest.approx(want.df)
    assert c.difference == pytest.approx(np.mean(AFTER) - np.mean(BEFORE)) and c.verdict == "real change"


def test_typical_error_of_two_series_weighs_each_by_its_degrees_of_freedom() -> None:
    """Variances 2 cm² of five serves and 4.5 cm² of two: (4 · 2 + 1 · 4.5) / 5 = 2.5 cm²."""
    after = series([0.04, 0.07], start="t")
    (c,) = retest(series([0.02, 0.04, 0.04, 0.04, 0.06]), after).changes
    assert c.typical_error == pytest.approx(0.01 * 2.5**0.5)
    assert c.sdc == pytest.approx(1.96 * 2**0.5 * 0.01 * 2.5**0.5)


def test_two_series_that_lie_together_by_chance_do_not_beat_measuring() -> None:
    unsure = {"pixels": 0.02}
    (c,) = retest(series([0.3, 0.3, 0.3], unsure), series([0.3, 0.3], unsure, start="t")).changes
    assert c.typical_error == 0.0 and c.sdc == pytest.approx(1.96 * 2**0.5 * 0.02)


def test_paired_measurings_are_the_paired_test_and_hopkins_formula() -> None:
    """Differences 1, 3, 2 cm: mean 2, SD 1; typical error of measuring 1/√2 cm."""
    (c,) = retest(series([0.10, 0.20, 0.30]), series([0.11, 0.23, 0.32], start="t"), paired=True).changes
    assert c.typical_error == pytest.approx(0.01 / 2**0.5)
    assert c.sdc == pytest.approx(1.96 * 0.01)
    want = stats.ttest_rel([0.11, 0.23, 0.32], [0.10, 0.20, 0.30])
    assert c.p == pytest.approx(want.pvalue) and c.dof == pytest.approx(2)


def test_pairs_of_unrelated_serves_and_the_series_itself_tell_the_same_typical_error() -> None:
    rng = np.random.default_rng(5)
    first, second = (list(0.3 + 0.02 * rng.standard_normal(4000)) for _ in range(2))
    (s,) = summarise(series(first))
    assert s.typical_error == pytest.approx(0.02, rel=0.03)
    (c,) = retest(series(first), series(second, start="t"), paired=True).changes
    assert c.typical_error == pytest.approx(0.02, rel=0.03)


def test_a_common_calibration_and_player_cancel_in_part_and_only_then() -> None:
    sources = {"pixels": 0.001, "calibration": 0.03, "joint centres": 0.04}
    before = series([0.3, 0.31, 0.29], sources)

    def systematic(**other: object) -> float | None:
        after = [serve(f"t{k}", measured(NAME, v, sources), **other) for k, v in enumerate((0.3, 0.31, 0.29))]
        return retest(before, after).changes[0].u_systematic

    assert systematic() == pytest.approx(0.05)  # with correlation a half the difference keeps one side's u
    assert systematic(rig="ff") == pytest.approx((2 * 0.03**2 + 0.04**2) ** 0.5)
    assert systematic(athlete="") == pytest.approx((0.03**2 + 2 * 0.04**2) ** 0.5)
    assert systematic(way=(("mode", "quick"),)) == pytest.approx((0.03**2 + 2 * 0.04**2) ** 0.5)
    assert systematic(rig="ff", athlete="") == pytest.approx(2**0.5 * 0.05)


@given(st.floats(1e-6, 1), st.floats(1e-6, 1))
def test_a_difference_is_never_surer_than_its_less_sure_side_by_more_than_an_eighth(a: float, b: float) -> None:
    both = of_difference({"calibration": a}, {"calibration": b}, ["calibration"])["calibration"]
    assert both >= 0.75**0.5 * max(a, b) * (1 - 1e-9)  # a² + b² − ab has its least value there
    assert both <= float(np.hypot(a, b)) * (1 + 1e-9)


def test_systematic_errors_keep_a_small_difference_from_being_called_real() -> None:
    before, after = series(list(BEFORE)), series(list(AFTER), start="t")
    assert retest(before, after).changes[0].verdict == "real change"
    blurred = {"pixels": 1e-9, "joint centres": 0.05}
    (c,) = retest(series(list(BEFORE), blurred), series(list(AFTER), blurred, start="t")).changes
    assert c.verdict == "cannot be told from chance"


PUBLISHED_P = (
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
    0.7590, 1.0000,
)  # fmt: skip
"""The example of Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300, as scipy's documentation of
false_discovery_control quotes it; four are called at 0.05."""


def test_verdicts_follow_the_published_example_of_many_comparisons() -> None:
    """Serves are made so that the p-values of fifteen measures are those of the paper."""
    base = np.array([-1.0, 0.0, 1.0, -0.5, 0.5])
    error = float(np.std(base, ddof=1) * (2 / 5) ** 0.5)
    shifts = [float(stats.t.isf(p / 2, 8)) * error for p in PUBLISHED_P]

    def side(start: str, shifted: bool) -> list[MeasuredServe]:
        rows = []
        for k, value in enumerate(base):
            measures = [measured(f"m{j:02d}", value + shifted * s, TINY) for j, s in enumerate(shifts)]
            rows.append(serve(f"{start}{k}", *measures))
        return rows

    found = retest(side("a", False), side("b", True))
    assert [c.p for c in found.changes] == pytest.approx(list(PUBLISHED_P), rel=1e-6, abs=1e-9)
    assert sum(c.verdict == "real change" for c in found.changes) == 4
    assert found.compared == 15 and found.expected_by_chance == pytest.approx(0.75)


def test_intervals_of_differences_hold_the_truth() -> None:
    """Normal serves, correlated systematic errors as assumed: 95 % of 600 intervals, binomial at 1 %."""
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(600):
        shared, own = rng.standard_normal(), rng.standard_normal(2)
        lean = 0.02 * (0.5**0.5 * shared + 0.5**0.5 * own)  # correlation a half
        sides = []
        for k, n in enumerate((5, 4)):
            values = 0.05 * k + lean[k] + 0.02 * rng.standard_normal(n)
            sides.append(series(list(values), {"pixels": 0.01, "calibration": 0.02}, start="ab"[k]))
        (c,) = retest(*sides).changes
        assert c.low95 is not None and c.high95 is not None
        inside += c.low95 <= 0.05 <= c.high95
    assert stats.binomtest(inside, 600, 0.95).pvalue > 0.01


def test_what_cannot_be_compared_says_why() -> None:
    (c,) = retest(series([0.3]), series([0.4, 0.5], start="t")).changes
    assert c.verdict == "not compared" and "two serves or more in each series" in c.reason
    (c,) = retest(series([None, None]), series([0.4, 0.5], start="t")).changes
    assert "hidden from all cameras" in c.reason
    with pytest.raises(BadInput, match="got in both: s00"):
        retest(series([0.3]), series([0.4]))
    with pytest.raises(BadInput, match="equal numbers, got 1 and 2"):
        retest(series([0.3]), series([0.4, 0.5], start="t"), paired=True)


# -- labels ----------------------------------------------------------------------------------------------

OTHERS: dict[str, dict[str, object]] = {
    "type": {"labels": LABELS.model_copy(update={"type": "kick"})},
    "side": {"labels": LABELS.model_copy(update={"side": "advantage"})},
    "effort": {"labels": LABELS.model_copy(update={"effort_percent": 70.0})},
    "landed": {"labels": LABELS.model_copy(update={"landed": "out"})},
    "ball": {"labels": LABELS.model_copy(update={"ball": "green"})},
    "racket length": {"labels": LABELS.model_copy(update={"racket_length_m": 0.66})},
    "handedness": {"handedness": "left"},
    "rig": {"rig": "cd34" * 16},
    "way of measuring": {"way": (("mode", "quick"),)},
    "standing height": {"height_m": 1.7},
    "age": {"age_years": 25.0},
}


@pytest.mark.parametrize("trait", OTHERS)
def test_unlike_labels_warn_by_name(trait: str) -> None:
    one, other = serve("one", measured(NAME, 0.3)), serve("other", measured(NAME, 0.3), **OTHERS[trait])
    (note,) = notes_on_labels([one, other])
    assert note.startswith(f"unlike {trait}: ") and "(one)" in note and "(other)" in note
    assert notes_on_labels([one, one]) == ()
    makes_another_serve = trait not in ("rig", "way of measuring", "standing height", "age")
    assert like(one, other) is not makes_another_serve


def test_unknown_labels_are_said_and_like_only_one_another() -> None:
    bare = {"labels": type(LABELS)()}
    one = serve("one", measured(NAME, 0.3))
    two, three = (serve(n, measured(NAME, 0.3), **bare) for n in ("two", "three"))
    (note,) = notes_on_labels([one, two, three])
    assert "type of two, three" in note and "not written in session.toml" in note
    assert not like(one, two) and like(two, three)
    assert [len(g) for g in like_groups([one, two, three])] == [2, 1]
    (note,) = notes_on_labels([serve("a", athlete=""), serve("b")])
    assert "the player's name of a" in note


def test_efforts_close_together_are_alike_and_groups_do_not_chain() -> None:
    def at(percent: float) -> MeasuredServe:
        return serve(f"e{percent:g}", labels=LABELS.model_copy(update={"effort_percent": percent}))

    assert like(at(80.0), at(90.0)) and not like(at(80.0), at(91.0))
    rows = [at(p) for p in (70.0, 80.0, 90.0, 100.0)]
    for order in (rows, rows[::-1]):
        assert [sorted(s.name for s in g) for g in like_groups(order)] == [["e70", "e80"], ["e100", "e90"]]


def test_serves_are_named_as_short_as_tells_them_apart() -> None:
    folders = [Path("monday/serves/01"), Path("tuesday/serves/01"), Path("tuesday/serves/02")]
    names = names_of(folders)
    assert [names[f.resolve()] for f in folders] == ["monday/serves/01", "tuesday/serves/01", "02"]
