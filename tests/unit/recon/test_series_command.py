"""`courtplumb series` and `courtplumb retest` from measured sessions to tables and pages."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from calibration import BadInput
from recon import store
from recon.cli import app
from recon.cli.series import one_each
from recon.findings import judge, judge_all, load_rules
from recon.repeats import retest, summarise
from recon.report.sections import finding_group
from recon.report.series_page import render_retest, render_series
from recon.report.series_words import change_row, summary_row
from recon.report.strip import StripRow, strip
from tests.support.example_result import save_example
from tests.support.invented_serves import LABELS as LABELS_OF_A_SERVE
from tests.support.invented_serves import measured, serve
from tests.support.page_checks import check_whole, text_of
from tests.unit.recon.test_findings import OWN, fitting

LABELS = """[serve]
type = "flat"
side = "deuce"
effort_percent = 90
landed = "in"
ball = "full"
racket_length_m = 0.685
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented player's folder: five sessions `a`, four `b` with values larger by 0.12, and their rig."""
    root = tmp_path_factory.mktemp("made")
    first = save_example(root / "first")
    player = root / "player"
    shutil.copytree(root / "first" / "rig", player / "rig")
    for k in range(5):
        session(first, player / f"a{k}", 0.004 * (k - 2))
    for k in range(4):
        session(first, player / f"b{k}", 0.12 + 0.004 * (k - 1.5))
    return player


def session(like: Path, folder: Path, shift: float) -> None:
    """The example session again, labelled, every value moved by `shift` of its unit."""
    shutil.copytree(like, folder, ignore=shutil.ignore_patterns("pictures", "stills"))
    text = (like / "session.toml").read_text(encoding="utf-8")
    text = text.replace("[video]", f"age_years = 24\n{LABELS}[video]")
    (folder / "session.toml").write_text(text, encoding="utf-8")
    path = folder / "derived" / "measures.json"
    value = store.read_json(path, "courtplumb measures")
    for row in value["measures"]:
        for key in ("value", "low95", "high95"):
            row[key] = None if row[key] is None else row[key] + shift
    path.write_text(json.dumps(value), encoding="utf-8")


def run(*words: str | Path) -> str:
    done = CliRunner().invoke(app, [str(w) for w in words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.output


def sessions(player: Path, start: str) -> Iterable[Path]:
    return sorted(player.glob(f"{start}*"))


def test_a_series_prints_its_tables_and_writes_its_page(made: Path) -> None:
    (made / "screens.toml").write_text("knee_to_wall_cm = { left = 10, right = 12 }", encoding="utf-8")
    said = run("series", *sessions(made, "a"))
    assert "typical error" in said and "5 of 5" in said and "left and right 2.0 cm apart" in said
    assert "Findings, flat, deuce side, 90 % effort, in, full ball, racket 0.685 m: 5 serves" in said
    assert "not written in session.toml" not in said
    page = (made / "series.html").read_text(encoding="utf-8")
    check_whole(page)
    text = text_of(page)
    assert page.count("<svg") == 3 and "Invented sessions" in text
    assert "It is no diagnosis" not in text and "not a diagnosis" in text.lower()
    assert "left and right 2.0 cm apart" in text and "Chisholm" in text
    assert "hidden from all cameras but one" in text  # the absent measure's reason
    (made / "screens.toml").unlink()


def test_a_retest_takes_many_sessions_per_option(made: Path) -> None:
    said = run("retest", "--before", *sessions(made, "a"), "--after", *sessions(made, "b"))
    measures = store.load_measures(made / "a0" / "derived" / "measures.json").measures
    told = sum(m.value is not None for m in measures)
    assert 80 < told < len(measures)
    assert "real change" in said and f"{told} measures were compared" in said
    assert f"not compared: {len(measures) - told}" in said
    page = (made / "retest.html").read_text(encoding="utf-8")
    check_whole(page)
    text = text_of(page)
    assert "Real change:" in text and "Benjamini-Hochberg" in text and "correlation of 0.5" in text


def test_an_option_may_stand_once_or_before_each_value() -> None:
    once = ["--before", "a", "b", "--paired", "--after", "c", "d", "--out=x"]
    each = ["--before", "a", "--before", "b", "--paired", "--after", "c", "--after", "d", "--out=x"]
    assert one_each(once) == one_each(each) == each


def test_the_same_serves_measured_again_are_paired(made: Path) -> None:
    before, after = list(sessions(made, "a"))[:4], list(sessions(made, "b"))
    said = run("retest", "--paired", "--before", *before, "--after", *after, "--out", made / "p.html")
    assert "real change" in said
    assert "what measuring alone does" in text_of((made / "p.html").read_text(encoding="utf-8"))


def test_unlike_serves_are_named_on_the_error_stream_and_the_page(made: Path, tmp_path: Path) -> None:
    other = tmp_path / "kick"
    shutil.copytree(made / "a0", other)
    shutil.copytree(made / "rig", tmp_path / "rig")
    toml = other / "session.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace('"flat"', '"kick"'), encoding="utf-8")
    said = run("series", made / "a1", other, "--out", tmp_path / "page.html")
    assert "note: unlike type: flat (a1); kick (kick)" in re.sub(r"\s+", " ", said)
    page = text_of((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert "unlike type: flat (a1); kick (kick)" in page
    assert page.count(": 1 serve ") == 2  # two kinds, each with findings of its own


def test_a_session_that_is_not_measured_is_refused_by_name(made: Path, tmp_path: Path) -> None:
    raw = tmp_path / "raw"
    raw.mkdir()
    shutil.copy(made / "a0" / "session.toml", raw)
    with pytest.raises(BadInput, match=r"raw: not measured yet; run `courtplumb measure"):
        run("series", made / "a0", raw)
    with pytest.raises(BadInput, match="got twice: a0"):
        run("series", made / "a0", made / "a0")
    with pytest.raises(BadInput, match="got in both: a0"):
        run("retest", "--before", made / "a0", "--after", made / "a0")


def test_a_serve_below_the_quality_gate_is_told_and_ends_with_code_3(made: Path, tmp_path: Path) -> None:
    shutil.copytree(made / "a0", tmp_path / "a0")
    shutil.copytree(made / "rig", tmp_path / "rig")
    path = tmp_path / "a0" / "derived" / "provenance.json"
    kept = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(
        json.dumps(kept | {"notes": {"quality": ["two cameras lost the player"]}}), encoding="utf-8"
    )
    page = tmp_path / "page.html"
    done = CliRunner().invoke(app, ["series", str(tmp_path / "a0"), "--out", str(page)])
    assert done.exit_code == 3 and "below the quality gate" in done.output
    assert "serve a0: two cameras lost the player" in text_of(page.read_text(encoding="utf-8"))


def test_rules_of_ones_own_are_used_and_checked(made: Path, tmp_path: Path) -> None:
    text = (
        '[[rule]]\nname = "mine"\ntitle = "High contact"\nkind = "strength"\nchain = "contact"\n'
        'evidence = "common practice"\nsource = "mine"\nsays = "It was met high."\nchanges = "wind"\n'
        'retest = "contact height"\n[[rule.when]]\nmeasure = "contact_height"\nabove_cm = 200\n'
    )
    path = tmp_path / "rules.toml"
    path.write_text(text, encoding="utf-8")
    out = ("--rules", path, "--out", tmp_path / "page.html")
    said = run("series", *sessions(made, "a"), *out)
    assert "strength: High contact: seen in 5 of 5 like serves" in said and "looked for besides: 0" in said
    path.write_text(text.replace("contact_height", "contact_hight"), encoding="utf-8")
    with pytest.raises(BadInput, match="contact_hight: no measure of that name"):
        run("series", *sessions(made, "a"), *out)


# -- rows of words ----------------------------------------------------------------------------------------


def test_a_series_in_words_by_hand() -> None:
    """2, 4, 4, 4, 6 cm: SD 1.414, χ² of 4 degrees 11.143 and 0.4844; systematic 3 and 4 mm; t 2.21 of 10.6."""
    sources = {"pixels": 1e-9, "calibration": 0.003, "joint centres": 0.004}
    values = (0.02, 0.04, 0.04, 0.04, 0.06)
    (s,) = summarise([serve(f"s{k}", measured("contact_height", v, sources)) for k, v in enumerate(values)])
    row = summary_row(s)
    assert (row.n, row.mean, row.typical) == ("5 of 5", "4.0 ± 1.8 cm", "1.4 cm (0.8 to 4.1 cm)")
    assert (row.own, row.sdc, row.stays) == ("1.4 cm", "3.9 cm", "0.50 cm, mostly joint centres")


def test_a_change_in_words_has_the_p_of_all_measures_before_that_of_one_alone() -> None:
    before, after = (
        [serve(f"{start}{k}", measured("contact_height", v + 0.01 * k)) for k in range(3)]
        for start, v in (("a", 0.2), ("b", 0.3))
    )
    (change,) = retest(before, after).changes
    row = change_row(replace(change, p=0.04, p_adjusted=0.08))
    assert row.p == "0.080 (0.040)" and row.difference.startswith("10.0 ±")
    page = text_of(render_retest(retest(before, after), before, after))
    assert "a0 (before)" in page and "b0 (after)" in page


# -- the page by itself ----------------------------------------------------------------------------------


def test_every_finding_on_the_page_has_its_parts() -> None:
    rule = next(r for r in OWN if r.name == "turn_at_the_front_foot")
    serves = fitting(rule)
    group = finding_group(serves, [judge(r, serves) for r in OWN])
    page = render_series(serves, summarise(serves), (), [group])
    check_whole(page)
    found = re.search(r'<article class="card" id="turn_at_the_front_foot">.*?</article>', page, re.S)
    assert found
    text = text_of(found.group())
    for part in (rule.title, rule.says, rule.changes, rule.ask, rule.retest, rule.source, "seen in 5 of 5"):
        assert part in text
    assert "above 20°" in text and "this project's choice" in text and "licensed professional" in text
    assert "Looked for besides" in page


def test_two_kinds_of_serves_have_findings_of_their_own() -> None:
    rule = next(r for r in OWN if r.name == "late_knee_bend")
    flat = fitting(rule)
    kick = LABELS_OF_A_SERVE.model_copy(update={"type": "kick"})
    serves = [*flat, *(replace(s, name=f"k{s.name}", labels=kick) for s in flat)]
    groups = [finding_group(group, judged) for group, judged in judge_all([rule], serves)]
    page = render_series(serves, summarise(serves), (), groups)
    check_whole(page)
    assert page.count(rule.title) == 2 and "flat, deuce side" in page and "kick, deuce side" in page


def test_names_and_labels_are_escaped() -> None:
    evil = '<script>alert("x")</script>'
    serves = [serve(f"{evil}{k}", measured("spine_plane_min", 0.1 + k), athlete=evil) for k in range(2)]
    for page in (
        render_series(serves, summarise(serves), (evil,)),
        render_retest(retest(serves[:1], serves[1:]), serves[:1], serves[1:]),
    ):
        assert "<script" not in page and "&lt;script&gt;" in page


def test_a_strip_has_a_dot_per_serve_where_its_value_is() -> None:
    rows = [
        serve(f"s{k}", measured("spine_plane_min", v, {"pixels": 0.01})) for k, v in enumerate((0.1, 0.2, 0.4))
    ]
    (summary,) = summarise(rows)
    drawn = str(strip("tip", [StripRow("serves", summary)]))
    x = [float(v) for v in re.findall(r'<circle cx="([\d.]+)"', drawn)]
    assert len(x) == 3 and (x[2] - x[1]) == pytest.approx(2 * (x[1] - x[0]), abs=0.3)
    found = re.findall(r'</title><line x1="([\d.]+)"[^>]*x2="([\d.]+)"', drawn)
    whiskers = [[float(v) for v in pair] for pair in found][-3:]  # the first is the axis
    assert len(whiskers) == 3
    for (left, right), dot in zip(whiskers, x, strict=True):  # ± 1.96 cm where 10 cm are x[1] − x[0]
        assert (right - left) / (x[1] - x[0]) == pytest.approx(2 * 1.96 / 10, rel=0.02)
        assert (left + right) / 2 == pytest.approx(dot, abs=0.2)
    (nothing,) = summarise([serve("s", measured("spine_plane_min", None))])
    assert strip("tip", [StripRow("serves", nothing)]) is None


@pytest.mark.parametrize(("start", "zero"), [(0.02, True), (1.00, False), (-0.12, True)])
def test_a_strip_has_zero_on_its_axis_only_where_it_is_near(start: float, zero: bool) -> None:
    rows = [serve(f"s{k}", measured("spine_plane_min", start + 0.05 * k, {"pixels": 0.001})) for k in range(3)]
    (summary,) = summarise(rows)
    assert (">0 cm<" in str(strip("tip", [StripRow("serves", summary)]))) is zero


def test_same_serves_same_page() -> None:
    rule = load_rules()[0]
    serves = fitting(rule)
    assert render_series(serves, summarise(serves), ()) == render_series(serves, summarise(serves), ())
