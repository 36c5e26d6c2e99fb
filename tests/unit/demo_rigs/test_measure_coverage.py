"""The benchmark of all measures: what is drawn, how coverage is counted, and goals on rows made up by hand."""

from __future__ import annotations

import tomllib
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from benchmarks.measure_coverage.coverage import by_measure, coverage
from benchmarks.measure_coverage.families import FAMILIES, family_of
from benchmarks.measure_coverage.footage import film_key, is_filmed, session_toml
from benchmarks.measure_coverage.goals import Goal, goals
from benchmarks.measure_coverage.page import page_text
from benchmarks.measure_coverage.rigs import calibrated, layouts, true_cameras
from benchmarks.measure_coverage.rows import Outcome, Row, Tip
from benchmarks.measure_coverage.scene import scene_of, variations
from benchmarks.measure_coverage.subjects import CHOSEN_ON, FRESH, Subject, kinds_of
from benchmarks.measure_coverage.variations import RIGS, SHARES, draw_variations
from calibration import SERVE_VOLUME, worst_u_over_volume
from demo_rigs.soles import true_sole_clearance
from recon.measures import MEASURES
from recon.records import EVENT_NAMES
from recon.session import SessionFile

HEIGHTS = {"ann": 1.8, "ben": 1.4}


def test_the_same_seed_draws_the_same_and_another_seed_others():
    assert draw_variations(HEIGHTS, 8, seed=1) == draw_variations(HEIGHTS, 8, seed=1)
    assert draw_variations(HEIGHTS, 8, seed=1) != draw_variations(HEIGHTS, 8, seed=2)


def test_at_least_forty_are_drawn_and_all_kinds_occur_in_their_proportion():
    drawn = variations()
    assert len(drawn) >= 40 and len({v.name for v in drawn}) == len(drawn)
    for kind in ("handedness", "script", "footwork", "style", "light", "fps", "ball", "tape"):
        counts, shares = Counter(getattr(v, kind) for v in drawn), SHARES[kind]
        whole = sum(shares.values())
        for value, share in shares.items():
            assert abs(counts[value] - share / whole * len(drawn)) <= share + 1, (kind, value)
    assert {len(v.cameras) for v in drawn} == {2, 3}
    assert {v.rig for v in drawn} == set(range(RIGS))
    assert len({v.athlete for v in drawn}) == 16
    assert {v.leaves for v in drawn} == {v.pinpoint for v in drawn} == {True, False}
    over = [v.sole_m for v in drawn]
    assert sum(s == -0.010 for s in over) >= 4
    assert min(over) < -0.02 and max(over) > 0.05


def test_rigs_differ_and_every_other_one_is_mirrored():
    found = layouts()
    sides = [next(c["place_m"][0] for c in layout if c["name"] == "side") for layout in found]
    assert [s > 0 for s in sides] == [k % 2 == 0 for k in range(RIGS)]
    for layout in found:
        left, right = (
            next(c["place_m"][0] for c in layout if c["name"] == n) for n in ("rear_left", "rear_right")
        )
        assert left < 0 < right
    assert len({layout[0]["focal_px"][0] for layout in found}) == RIGS


def test_a_calibration_errs_as_its_covariance_says():
    """Of many draws: camera centres off by what the covariance tells, and the volume known to millimetres."""
    cameras = tuple(true_cameras(0, ("rear_left", "rear_right", "side"), (1280, 720)).values())
    rigs = [calibrated("x", cameras, seed) for seed in range(60)]
    shifts = np.array([r.cameras[0].cam_from_world.t_m - cameras[0].cam_from_world.t_m for r in rigs])
    told = np.sqrt(np.diag(rigs[0].covariance)[15:18])
    np.testing.assert_allclose(np.sqrt((shifts**2).mean(axis=0)), told, rtol=0.35)
    worst = worst_u_over_volume(cameras, rigs[0].covariance, SERVE_VOLUME)
    assert worst is not None and 0.001 < worst < 0.01


@pytest.fixture(scope="module")
def over(wheel: Path):
    """The first drawn serve with its sole 10 mm over the line, as a scene."""
    v = next(v for v in variations() if v.sole_m == -0.010)
    return v, *scene_of(v, wheel)


def test_a_scene_has_the_sole_where_the_variation_wants_it(over):
    v, _, entry, serve = over
    assert true_sole_clearance(serve, entry.athlete) == pytest.approx(v.sole_m, abs=1e-4)


def test_legs_reach_in_the_scene_and_clips_overlap(over):
    v, scene, entry, serve = over
    t = np.arange(min(entry.starts_s.values()), max(entry.ends_s.values()), 0.02)
    assert max(s.max() for s in serve.at(t).stretch.values()) < 1.0
    assert set(scene.cameras) == set(v.cameras) == set(entry.starts_s)
    assert max(entry.starts_s.values()) < serve.script.start_s - 0.4
    assert min(entry.ends_s.values()) > serve.script.contact_s + 0.8


def test_a_session_is_described_as_the_program_wants_it(over):
    v, scene, entry, _ = over
    told = SessionFile.model_validate(tomllib.loads(session_toml(v, scene, entry)))
    assert told.handedness == v.handedness and set(told.video) == set(v.cameras)
    assert told.serve.racket_length_m == pytest.approx(0.685)


def test_pictures_are_out_of_date_when_the_scene_changes_and_not_when_the_truth_does(over):
    from dataclasses import replace

    _, scene, entry, _ = over
    key = film_key(scene, entry)
    assert film_key(replace(scene, raw=scene.raw | {"light": {"sky": 0.3}}), entry) != key
    assert film_key(scene, replace(entry, starts_s={c: s - 1 for c, s in entry.starts_s.items()})) != key
    assert not is_filmed(Path("/nowhere"), variations()[0])


def test_every_measure_and_event_has_a_family():
    for name in (*MEASURES, *(f"event_{e}" for e in EVENT_NAMES)):
        assert family_of(name) in FAMILIES, name
    assert family_of("trunk_inclination_landing") == "landing"
    assert family_of("elbow_extension_speed_before_contact") == "sequence"
    assert family_of("front_knee_extension_speed") == "drive"
    assert family_of("front_toe_clearance") == "stance"
    assert family_of("nothing_of_the_kind") == "none"


def row(subject: str, measure: str, value: float | None, u: float = 1.0, truth: float | None = 0.0, **more):
    low, high = (None, None) if value is None else (value - 1.96 * u, value + 1.96 * u)
    told = None if value is None else u
    return Row(subject=subject, measure=measure, unit="m", value=value, u=told, low95=low, high95=high,
               truth=truth, **more)  # fmt: skip


def test_coverage_is_counted_over_rows_with_interval_and_truth():
    rows = [row("a", "com_rise", 1.9), row("a", "com_rise", 2.0), row("b", "com_rise", None, reason="hidden"),
            row("b", "com_rise", 0.1, truth=None)]  # fmt: skip
    found = coverage(rows)
    assert (found.n, found.held, found.serves) == (2, 1, 1)
    # two-sided: P(0) + P(1) of Bin(2, 0.95) = 0.05² + 2 · 0.95 · 0.05 = 0.0975
    assert found.p == pytest.approx(0.0975)
    assert not found.rejected


def test_five_of_twenty_missed_is_rejected_and_one_is_not():
    """P(≤ 15 of 20) at 0.95 is 0.0026 (binomial tables); no outcome above is as unlikely (P(20) = 0.36)."""
    for missed, p in ((1, 1.0), (5, 0.0026)):
        rows = [row(f"s{k}", "com_rise", 3.0 if k < missed else 0.0) for k in range(20)]
        found = coverage(rows)
        assert found.p == pytest.approx(p, abs=1e-4)
        assert found.p_serves == pytest.approx(found.p)  # one row each: both tests are the same
        assert found.rejected == (missed == 5)


def test_rows_of_one_serve_are_one_piece_of_evidence():
    """One serve of ten misses with all of its ten measures: 10 of 100 rows, but one serve."""
    rows = [row(f"s{k}", f"m{i}", 3.0 if k == 0 else 0.0) for k in range(10) for i in range(10)]
    found = coverage(rows)
    assert found.held == 90 and found.p < 0.05
    assert found.p_serves > 0.3 and not found.rejected_by_serves


def test_two_sessions_of_one_serve_are_one_serve():
    rows = [row(f"{k} cameras", "com_rise", 0.0, serve="the serve") for k in (2, 3)]
    assert (coverage(rows).n, coverage(rows).serves) == (2, 1)


def test_a_measure_tells_its_middle_error_and_why_it_is_absent():
    rows = [row("a", "com_rise", 0.1), row("b", "com_rise", -0.3), row("c", "com_rise", 0.2),
            row("d", "com_rise", None, reason="hidden"), row("e", "com_rise", None, truth=None)]  # fmt: skip
    (found,) = by_measure(rows)
    assert (found.family, found.absent, dict(found.reasons)) == ("drive", 1, {"hidden": 1})
    assert found.median == pytest.approx(0.2)


def outcome(
    name: str, *rows: Row, cameras: int = 3, tip: Tip | None = None, ball: bool = True,
    kinds: frozenset[str] = frozenset(),
) -> Outcome:  # fmt: skip
    nowhere = Path("/nowhere")
    subject = Subject(name=name, folder=nowhere, truth=nowhere, cameras=nowhere, clip=name, n_cameras=cameras,
                      fps=100.0, ball=ball, kinds=kinds)  # fmt: skip
    return Outcome(subject, rows, tip)


def reached(found: list[Goal]) -> dict[str, Goal]:
    return {g.what: g for g in found}


def test_goals_of_lengths_and_instants_come_from_three_cameras_with_ball_and_tape():
    tip = Tip(np.array([0.010, np.nan, 0.012, 0.030]), np.array([0.026]))
    usual = outcome("a", row("a", "event_contact", 0.004), row("a", "spine_plane_min", -0.02), tip=tip)
    two = outcome("b", row("b", "event_contact", 0.5), cameras=2, tip=Tip(np.ones(9), np.ones(9)))
    blind = outcome("c", row("c", "event_contact", 0.5), ball=False)
    found = reached(goals([usual, two, blind]))
    drop = found["racket tip from trophy to drop, median"]
    assert (drop.reached, drop.n, drop.word) == (pytest.approx(12.0), 3, "reached")
    assert found["racket tip in the last 50 ms, median"].word == "missed"
    assert found["contact, median"].reached == pytest.approx(0.4)  # 4 ms of a frame of 10
    assert found["signed crossing distance, median"].word == "missed"
    assert found["the same by the head, median"].word == "nothing to judge"


def test_push_off_is_judged_also_of_serves_that_leave_the_ground_alone():
    flown = outcome("a", row("a", "event_push_off", 0.01), kinds=frozenset({"leaves the ground"}))
    found = reached(goals([flown, outcome("b", row("b", "event_push_off", 0.05))]))
    assert found["push-off, median"].reached == pytest.approx(3.0)  # of 10 and 50 ms, frames of 10
    assert found["push-off in a flight, median"].reached == pytest.approx(1.0)


def test_serves_that_something_was_chosen_on_are_left_out_of_the_second_table():
    fresh = outcome("a", row("a", "com_rise", 0.1), kinds=frozenset({FRESH}))
    text = page_text(Path("/nowhere"), [], [fresh, outcome("b", row("b", "com_rise", 9.0))], [], "*Some day.*")
    whole, second = text.split("### The same, of serves that nothing was chosen on")
    assert "| drive | 50.0 % | 1 of 2 |" in whole and "| drive | 100.0 % | 1 of 1 |" in second
    chosen = [v.name for v in variations() if FRESH not in kinds_of(v)]
    assert set(chosen) == CHOSEN_ON and all(name in whole for name in chosen)


def test_foot_fault_verdicts_are_wrong_when_they_say_the_opposite_and_over_the_line_is_never_clear():
    def told(k: int, truth: float, note: str) -> Row:
        return row(f"s{k}", "foot_fault_clearance", truth, truth=truth, note=note)

    rows = [told(0, 0.02, "clear"), told(1, -0.02, "touching"), told(2, 0.02, "touching"),
            told(3, -0.010, "clear"), told(4, -0.003, "cannot be told")]  # fmt: skip
    found = reached(goals([outcome("all", *rows)]))
    assert found["foot-fault verdicts that are wrong"].reached == pytest.approx(40.0)
    assert found["sole 10 mm and more over the line called clear"].reached == pytest.approx(50.0)
    assert found["sole 10 mm and more over the line called clear"].word == "missed"
    honest = reached(goals([outcome("all", rows[0], rows[1], rows[4])]))
    assert {g.word for name, g in honest.items() if "fault" in name or "clear" in name} == {"reached"}


def test_the_page_says_that_it_is_invented_what_was_refused_and_how_the_families_do():
    rows = [row("a", "com_rise", 0.1), row("a", "hip_past_baseline_max", 9.0)]
    refused = Outcome(outcome("b").subject, refusal="two people may be the server")
    text = page_text(Path("/nowhere"), [], [outcome("a", *rows), refused], ["v03"], "*Measured some day.*")
    assert "Invented data" in text and "two people may be the server" in text and "v03" in text
    assert "| drive | 100.0 % | 1 of 1 |" in text
    assert "| hip | 0.0 % | 0 of 1 |" in text
