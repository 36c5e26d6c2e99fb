"""The report page: what it says equals the record's own words; it is one whole file that fetches nothing."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recon.findings import load_rules
from recon.measures.catalogue import MEASURES
from recon.records import EVENT_NAMES, Measure, MeasureSet, PointStatus
from recon.report import render_report, write_report
from recon.report.content import HEADLINES, gather, inferred_share, labels_text
from recon.report.sections import findings_of_one
from recon.report.unsure import unsure_of
from recon.report.words import WHAT_HELPS, meaning_of, mostly_from
from recon.result import Result, load_result
from recon.session import Labels
from recon.wording import detail_text, event_time_text, interval_text, source_texts, value_text
from tests.support.example_result import save_example
from tests.support.page_checks import check_whole, text_of


@pytest.fixture(scope="module", params=["right", "left"])
def result(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Result:
    return load_result(save_example(tmp_path_factory.mktemp("example"), request.param))


@pytest.fixture(scope="module")
def page(result: Result) -> str:
    return render_report(result)


def _article(page: str, name: str) -> str:
    """The text of one measure's card, row, or line among what is not measured, without tags."""
    ways = (
        rf'<article[^>]*id="{name}".*?</article>',
        rf'<tr id="{name}">.*?(?=<tr id=|</tbody>)',
        rf'<li id="{name}">.*?</li>',
    )
    found = re.search("|".join(ways), page, re.S)
    assert found, f"no card {name}"
    return text_of(found.group())


def test_every_measure_stands_there_in_the_records_own_words(result: Result, page: str) -> None:
    for m in result.measures.measures:
        card = _article(page, m.name)
        assert m.label in card
        if m.value is None:
            assert m.reason in card
            continue
        assert value_text(m) in card
        assert m.note in card
        assert detail_text(m) in card
        assert interval_text(m) in card
        for source, share in source_texts(m):
            assert f"{source} {share}" in card


def test_the_headlines_come_first_and_in_order(page: str) -> None:
    places = [page.index(f'id="{name}"') for name in HEADLINES]
    others = [m.start() for m in re.finditer(r'<article class="card"', page)]
    assert places == sorted(places) and max(places) < min(others)


def test_every_event_has_its_time_or_its_reason(result: Result, page: str) -> None:
    text = text_of(page)
    for e in result.events.events:
        assert f"{EVENT_NAMES[e.name]} {event_time_text(e)}" in text
        assert e.reason in text


def test_every_camera_has_its_pictures_and_its_clock(result: Result, page: str) -> None:
    events = [e for e in result.events.events if e.t_s is not None]
    assert page.count("data:image/jpeg;base64,") == len(events) * len(result.tracks.cameras)
    for c in result.tracks.cameras:
        assert f"camera {c.camera}" in text_of(page)


def test_the_rig_says_how_it_was_calibrated(result: Result) -> None:
    rig = replace(result.rig, name="hall <2>", camera_rms_px=(0.21,) * len(result.rig.cameras), board_views=17)
    text = text_of(render_report(replace(result, rig=rig)))
    assert "hall <2>" in text and "17" in text and "0.21 px" in text


def test_every_card_has_a_drawing_where_it_was_measured(result: Result) -> None:
    page = gather(result)
    for card in (*page.headlines, *page.more):
        assert (card.drawing is None) == bool(card.reason), card.name
        if card.drawing is not None:
            assert card.value in html.unescape(str(card.drawing))


def test_nothing_is_fetched(page: str) -> None:
    addresses = re.findall(r"""(?:src|href|action|data|poster|url)\s*[=(]\s*["']?([^"'\s>)]+)""", page)
    assert all(a.startswith("data:image/jpeg;base64,") for a in addresses)
    without_pictures = re.sub(r"data:image/jpeg;base64,[A-Za-z0-9+/=]+", "", page)
    assert set(re.findall(r"\w+://[^\s\"'<]+", without_pictures)) <= {"http://www.w3.org/2000/svg"}
    assert "<script" not in page


def test_the_page_is_well_formed(page: str) -> None:
    check_whole(page)


def test_names_are_escaped(result: Result) -> None:
    evil = 'A <script>alert("x")</script> & B'
    session = replace(result.session, file=result.session.file.model_copy(update={"athlete": evil}))
    text = render_report(replace(result, session=session))
    assert "<script" not in text
    assert "A &lt;script&gt;" in text


def test_a_measure_of_tomorrow_is_shown_too(result: Result) -> None:
    new = Measure("new_one", "Something <new>", "m", 0.5, 0.01, 0.48, 0.52, {}, None, "", "")
    text = render_report(replace(result, measures=MeasureSet((*result.measures.measures, new))))
    assert "Something &lt;new&gt;" in text and value_text(new) in text


def test_invented_sessions_say_so(result: Result) -> None:
    assert "Invented session" in render_report(result)
    file = result.session.file.model_copy(update={"athlete": "A. Player"})
    real = replace(result, session=replace(result.session, file=file), provenance={})
    assert "Invented session" not in render_report(real)


def test_absent_points_leave_the_drawing_out_and_nothing_else(result: Result) -> None:
    motion = result.motion
    status, xyz = motion.status.copy(), motion.xyz_m.copy()
    velocity = motion.velocity_m_s.copy()
    for part in ("elbow", "knee", "toe"):
        for side in ("left", "right"):
            i = motion.index(f"{side}_{part}")
            status[:, i], xyz[:, i], velocity[:, i] = 1, np.nan, np.nan
    hidden = replace(result, motion=replace(motion, status=status, xyz_m=xyz, velocity_m_s=velocity))
    page = gather(hidden)
    left = {"contact_height", "contact_height_ratio", "trunk_inclination_trophy"}
    assert {c.name for c in page.more if c.drawing is not None} == left
    text = text_of(render_report(hidden))
    assert value_text(result.measures.of("elbow_angle_trophy")) in text


def test_no_verdict_and_no_side_words_in_what_a_coach_reads(page: str) -> None:
    text = text_of(page).lower()
    for word in ("good serve", "bad", "wrong foot", "excellent", "poor", "score", "correct"):
        assert word not in text
    assert not re.search(r"\b(?:left|right) (?:hip|knee|foot|elbow|shoulder|arm)\b", text)


def test_published_values_stand_beside_adults_only() -> None:
    beside = {age: meaning_of("front_knee_flexion_trophy", age).beside for age in (None, 15.9, 16.0, 40.0)}
    assert "64.5" in beside[16.0] and beside[16.0] == beside[40.0]
    for young in (None, 15.9):
        assert "64.5" not in beside[young] and "16 years" in beside[young]


def test_every_measure_says_what_it_means() -> None:
    for name, entry in MEASURES.items():
        meaning = meaning_of(name, 20.0)
        assert len(meaning.what) > 20, name
        assert (meaning.grade == "published value") == (entry.definition.evidence == "published"), name
        if entry.definition.evidence == "published":
            assert re.search(r"\d", meaning.beside), name


def test_the_largest_part_of_u_is_named_with_what_would_shrink_it() -> None:
    m = Measure("contact_height", "Height", "m", 2.5, 0.02, 2.46, 2.54, {"pixels": 0.01, "clocks": 0.017})
    assert mostly_from(m) == ("clocks", WHAT_HELPS["clocks"])
    assert mostly_from(replace(m, sources={})) == ("", "")


def test_same_result_same_page_and_whole_file(result: Result, page: str, tmp_path: Path) -> None:
    path = tmp_path / "out" / "report.html"
    write_report(result, path)
    assert path.read_text(encoding="utf-8") == page
    assert [p.name for p in path.parent.iterdir()] == ["report.html"]


def noted(result: Result, **notes: list[str]) -> Result:
    return replace(result, provenance=result.provenance | {"notes": notes})


def test_the_page_stays_light(page: str) -> None:
    assert len(page.encode()) < 3e6


def test_the_header_says_what_kind_of_serve_it_was(result: Result) -> None:
    assert "This serve: not written down: type, side, effort, in or out, ball, racket length." in text_of(
        render_report(result)
    )
    assert "years old" not in text_of(render_report(result))
    labels = Labels(type="kick", landed="out", racket_length_m=0.66)
    assert labels_text(labels) == "kick, out, racket 0.66 m; not written down: side, effort, ball"
    full = Labels(type="flat", side="deuce", effort_percent=90, landed="in", ball="red", racket_length_m=0.6)
    assert "not written down" not in labels_text(full) and "red ball" in labels_text(full)
    file = result.session.file.model_copy(update={"age_years": 11.5, "serve": labels})
    text = text_of(render_report(replace(result, session=replace(result.session, file=file))))
    assert "11.5 years old" in text and "This serve: kick, out" in text


def valued(result: Result, **values: float) -> Result:
    """The result with measures of which we are quite sure."""
    rows = [
        replace(m, value=values[m.name], u=1e-4, low95=values[m.name], high95=values[m.name], reason="")
        if m.name in values
        else m
        for m in result.measures.measures
    ]
    return replace(result, measures=MeasureSet(tuple(rows)))


def test_one_serve_finds_nothing_but_says_what_was_seen(result: Result) -> None:
    bent = valued(result, tossing_elbow_mean=np.deg2rad(120.0))
    group = findings_of_one(bent)
    assert group.found == group.strengths == ()
    assert "bent_tossing_arm" in {c.name for c in group.hints}
    assert {c.name for c in (*group.hints, *group.rest)} == {r.name for r in load_rules()}
    card = _article(render_report(bent), "bent_tossing_arm")
    assert "seen once" in card and "film more" in card and "not a diagnosis" in card
    straight = valued(result, tossing_elbow_mean=np.deg2rad(175.0))
    assert "bent_tossing_arm" not in {c.name for c in findings_of_one(straight).hints}


def test_screens_stand_there_with_their_cautions_where_there_are_any(tmp_path: Path) -> None:
    session = save_example(tmp_path)
    assert "<h2>Screens</h2>" not in render_report(load_result(session))
    (tmp_path / "screens.toml").write_text("[knee_to_wall_cm]\nleft = 9.0\nright = 12.0\n", encoding="utf-8")
    text = text_of(render_report(load_result(session)))
    assert "left and right 3.0 cm apart" in text
    assert "A flag is no diagnosis" in text and "professional who works with that age judges" in text


def test_sources_of_uncertainty_are_counted_and_kept_apart() -> None:
    def measure(name: str, **sources: float) -> Measure:
        u = float(np.hypot(*sources.values()))
        return Measure(name, f"label {name}", "m", 1.0, u, 1 - 2 * u, 1 + 2 * u, sources)

    a = measure("a", pixels=0.03, calibration=0.04)
    b = measure("b", pixels=0.04, calibration=0.03)
    c = measure("c", pixels=0.012, calibration=0.005)
    absent = Measure("d", "label d", "m", None, reason="hidden")
    found = unsure_of([a, b, c, absent])
    [pixels], [calibration] = found.random, found.systematic
    assert (pixels.source, pixels.largest_in, calibration.largest_in) == ("pixels", 2, 1)
    assert (found.counted, found.mostly_random) == (3, 2)
    assert [label for label, _ in pixels.most] == ["label c", "label b", "label a"]
    assert pixels.most[0][1] == "1.2 cm of u 1.3 cm"
    assert pixels.helps == WHAT_HELPS["pixels"]
    assert unsure_of([absent]).counted == 0


def test_checks_and_warnings_stand_where_they_are_seen(result: Result) -> None:
    sentence = "gravity from the toss: 9.79 ± 0.16 m/s², 9.81 expected: agrees"
    text = text_of(render_report(noted(result, checks=[sentence], quality=["two cameras lost the player"])))
    assert text.count(sentence) == text.count("two cameras lost the player") == 1
    assert text.index("Read this first") < text.index("The three headline measures")
    assert text.index("Where the numbers come from") < text.index(sentence) < text.index("Detector, versions")
    assert "Read this first" not in text_of(render_report(result))


def test_an_inferred_racket_is_told_beside_the_headline(result: Result) -> None:
    motion, events = result.motion, result.events
    t0, t1 = events.time("trophy"), events.time("contact")
    assert t0 is not None and t1 is not None
    [inside] = np.nonzero((motion.t_s >= t0) & (motion.t_s <= t1))
    tip, status = motion.index("racket_tip"), motion.status.copy()
    status[inside[0] - 5 : inside[0], tip] = PointStatus.INFERRED  # before the trophy position: not counted
    status[inside[:4], tip] = PointStatus.BRIDGED
    early = replace(result, motion=replace(motion, status=status))
    assert inferred_share(early.motion, events) == 0.0
    assert "inferred" not in _article(render_report(early), HEADLINES[0])
    status[inside[4:10], tip] = PointStatus.INFERRED
    later = replace(result, motion=replace(motion, status=status))
    share = 6 / len(inside)
    assert inferred_share(later.motion, events) == pytest.approx(share)
    told = f"racket tip inferred, not measured, in {share:.0%} of the time from trophy to contact"
    page = render_report(later)
    assert told in _article(page, HEADLINES[0]) and told not in _article(page, HEADLINES[1])
