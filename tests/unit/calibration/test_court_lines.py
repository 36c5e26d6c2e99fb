"""The court from its painted lines in whole pictures: right, tolerant of clutter, refusing what is no court."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.calibrated_rig import CalibratedRig
from calibration.court.clicks import Click
from calibration.court.court_search import search_court
from calibration.court.line_picture import line_picture
from calibration.court.line_registration import place_in_court, register_lines
from calibration.court.model import COURT_POINTS_M
from calibration.court.registration import CourtOptions, register_court
from calibration.court.ruled_lines import RULED_LINES, Picture
from calibration.errors import BadInput, NotMeasurable
from calibration.files import save_rig
from calibration.folder import write_clicks
from calibration.geometry import Rigid
from calibration.steps import run_court
from tests.support.court_pictures import Look, Painted, court_picture
from tests.support.line_worlds import TRUE, nearby, rig_of, true_place
from tests.support.rig_toml import rig_toml
from tests.support.rig_worlds import rig_cameras

PAIR = TRUE[:2]
RIG = rig_of(rig_cameras(PAIR))
HIDDEN = {"left": ((500, 300, 620, 720), (900, 350, 960, 560)), "right": ((300, 300, 420, 720),)}
CLUTTER = Look(worn=0.25, other_lines=True, shadow=1.0, hidden=HIDDEN, blur_px=0.8, noise=0.015)


@lru_cache(maxsize=2)
def clean() -> Mapping[str, Picture]:
    return pictures(Look())


def pictures(look: Look) -> dict[str, Picture]:
    rng = np.random.default_rng(0)
    return {c.name: court_picture(c, look, rng) for c in PAIR}


def start() -> Rigid:
    return nearby(true_place(), np.random.default_rng(2))


def miss_at_baseline_m(rig: CalibratedRig) -> float:
    """Largest miss of ground points at the baseline that the rig triangulates from exact pixels."""
    worst = 0.0
    for x in (-1.5, 0.0, 1.5):
        true = np.array([x, 0.0, 0.0])
        met = np.array(true)
        for _ in range(5):
            rows = [c.project_with_jacobian(met) for c in rig.cameras]
            r = np.concatenate([c.project(true) - uv for c, (uv, _) in zip(PAIR, rows, strict=True)])
            met = met + np.linalg.lstsq(np.concatenate([j for _, j in rows]), r, rcond=None)[0]
        worst = max(worst, float(np.linalg.norm(met - true)))
    return worst


def test_a_clean_court_is_placed_to_a_millimetre() -> None:
    placed = register_lines(RIG, clean(), start()).rig
    assert placed.frame == "court" and placed.flags == () and placed.court is not None
    assert miss_at_baseline_m(placed) < 0.0015
    assert placed.court.baseline_u_m is not None and 5e-4 < placed.court.baseline_u_m < 0.004
    rows = {line.line: line for line in placed.court.lines}
    assert rows["baseline"].width_m == pytest.approx(0.10, abs=5e-4)
    assert rows["left_singles"].width_m == pytest.approx(0.05, abs=5e-4)
    assert "far_service" not in rows  # seen through the net only
    found = {(d.first, d.second): d for d in placed.court.distances}["baseline", "service"]
    assert found.measured_m == pytest.approx(5.485, abs=3 * found.u_m)
    assert placed.court.free_scale == pytest.approx(1.0, abs=4 * (placed.court.free_scale_u or 0))


def test_clutter_wear_shadow_and_half_hidden_lines_are_borne() -> None:
    seen = pictures(CLUTTER)
    result = register_lines(RIG, seen, start())
    assert miss_at_baseline_m(result.rig) < 0.003
    assert result.rig.court is not None
    rows = {line.line: line for line in result.rig.court.lines}
    assert rows["baseline"].rejected > 20 and rows["baseline"].samples > 60
    drawn = line_picture(result.rig.cameras[0], seen["left"], result.found, 0)
    assert drawn.shape == (784, 1280, 3) and drawn[:720].std() > 10


def test_paint_laid_off_stays_within_the_stated_uncertainty_and_a_stray_line_is_named() -> None:
    rng = np.random.default_rng(11)
    laid = {
        r.name: Painted(*rng.uniform(-0.005, 0.005, 2), width_m=rng.uniform(*r.widths_m)) for r in RULED_LINES
    }
    laid["right_singles"] = Painted(0.03, 0.03)
    placed = register_lines(RIG, pictures(Look(paint=laid, tone=2.2)), start()).rig
    assert placed.court is not None and placed.court.baseline_u_m is not None
    assert miss_at_baseline_m(placed) < 3 * np.sqrt(3) * placed.court.baseline_u_m < 0.02
    assert any("right_singles line is painted" in f and "no say" in f for f in placed.flags)
    row = {line.line: line for line in placed.court.lines}["right_singles"]
    assert row.offset_m is not None and row.offset_u_m is not None and not row.held
    assert row.offset_m == pytest.approx(0.03, abs=4 * row.offset_u_m)


def test_one_end_cannot_be_told_from_the_other_when_the_cameras_stand_level_with_the_net(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("calibration.court.court_search._middle_y_m", lambda rig, place: 11.9)
    with pytest.raises(NotMeasurable, match="level with the net"):
        search_court(RIG, clean())


@lru_cache(maxsize=1)
def grass() -> Mapping[str, Picture]:
    return pictures(Look(empty=True))


def test_bad_pictures_are_refused_in_one_sentence() -> None:
    dark = {n: np.asarray(p * 0.06, dtype=np.uint8) for n, p in clean().items()}
    for hint in (start(), None):
        with pytest.raises(NotMeasurable, match="too dark"):
            register_lines(RIG, dark, hint)
    blurred = {n: np.asarray(cv2.GaussianBlur(p, (0, 0), 5.0), dtype=np.uint8) for n, p in clean().items()}
    with pytest.raises(NotMeasurable, match="blurred or overexposed"):
        register_lines(RIG, blurred, start())
    with pytest.raises(NotMeasurable, match=r"no straight white lines|hardly any"):
        register_lines(RIG, grass(), start())
    with pytest.raises(NotMeasurable, match="not recognised in the pictures without a hint"):
        register_lines(RIG, grass(), None)


@pytest.mark.parametrize("shift_m", [(0.0, 0.6, 0.3), (1.37, 0.0, 0.0)])
def test_a_wrong_hint_is_refused_or_overcome_never_believed(shift_m: tuple[float, float, float]) -> None:
    place = true_place()
    wrong = Rigid(place.R, place.apply(np.array(shift_m)), "rig", "court")
    try:
        placed = register_lines(RIG, clean(), wrong).rig
    except NotMeasurable as refusal:
        assert "belong to it" in str(refusal)
    else:
        assert miss_at_baseline_m(placed) < 0.0015


def clicks(sigma_px: float, points: tuple[str, ...]) -> list[Click]:
    rng = np.random.default_rng(6)
    left = PAIR[0]
    return [
        Click("left", p, left.project(np.array(COURT_POINTS_M[p])) + rng.normal(0, sigma_px, 2)) for p in points
    ]


FOUR = ("service_left_singles", "baseline_left_singles", "service_centre", "baseline_right_singles")


def test_four_rough_clicks_in_one_picture_are_hint_enough() -> None:
    rough = clicks(2.0, FOUR)
    by_clicks = register_court(RIG, rough)
    placed, found = place_in_court(RIG, clean(), rough, CourtOptions(click_u_px=2.0))
    assert found is not None and placed.court is not None and len(placed.court.clicks) == 4
    assert miss_at_baseline_m(placed) < 0.0015 < miss_at_baseline_m(by_clicks)
    assert all(c.used for c in placed.court.clicks)


def test_where_the_lines_fail_the_clicks_stand_and_say_why() -> None:
    bad = grass()
    placed, found = place_in_court(RIG, bad, clicks(0.5, FOUR), CourtOptions())
    assert found is None and any(f.startswith("placed by the clicks alone: court lines") for f in placed.flags)
    with pytest.raises(NotMeasurable):
        place_in_court(RIG, bad, clicks(0.5, FOUR), CourtOptions(), must_use_lines=True)
    with pytest.raises(NotMeasurable):
        place_in_court(RIG, bad, [], CourtOptions())
    alone, _ = place_in_court(RIG, {}, clicks(0.5, FOUR), CourtOptions())
    assert (
        not any("placed by" in f for f in alone.flags) and alone.court is not None and alone.court.lines == ()
    )


def test_pictures_that_do_not_belong_to_the_rig() -> None:
    with pytest.raises(BadInput, match="want 1280x720 px as its lens was calibrated, got 640x720"):
        register_lines(RIG, {"left": clean()["left"][:, ::2]}, start())
    with pytest.raises(BadInput, match="no camera 'top'"):
        register_lines(RIG, {"top": clean()["left"]}, start())
    with pytest.raises(BadInput, match="at least one camera, got none"):
        register_lines(RIG, {}, start())
    with pytest.raises(BadInput, match="want a rig in its own frame"):
        register_lines(replace(RIG, frame="court", cameras=PAIR), clean(), start())


@pytest.fixture
def rig_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A rig folder whose cameras are known already, with a court picture of each."""
    files = {name: f'lens_footage = "none.mp4"\ncourt_picture = "{name}.png"' for name in clean()}
    shared = '[[shared]]\n[shared.footage]\nleft = "none.mp4"\nright = "none.mp4"\n'
    (tmp_path / "rig.toml").write_text(rig_toml(files, shared))
    for name, image in clean().items():
        cv2.imwrite(str(tmp_path / f"{name}.png"), image)

    def known(folder: Path, progress: object = None) -> CalibratedRig:
        save_rig(folder / "derived" / "rig.json", RIG)
        return RIG

    monkeypatch.setattr("calibration.steps.run_rig", known)
    return tmp_path


def test_run_court_by_lines_alone_by_clicks_alone_and_not_twice(rig_folder: Path) -> None:
    """By lines alone means without any hint: the court is recognised in the pictures."""
    seen: list[str] = []
    derived = rig_folder / "derived"
    placed = run_court(rig_folder, progress=lambda label, done, total: seen.append(label))
    assert miss_at_baseline_m(placed) < 0.0015 and seen == ["court", "court"]
    assert (derived / "court_lines_left.png").exists() and (derived / "court_lines_right.png").exists()
    assert {"rig", "court_picture/left", "court_picture/right"} == set(placed.provenance.inputs)
    again = run_court(rig_folder, progress=lambda label, done, total: seen.append(label))
    assert seen == ["court", "court"] and again.court == placed.court
    with pytest.raises(BadInput, match=r"court_clicks\.csv: no such file"):
        run_court(rig_folder, lines=False)
    write_clicks(rig_folder / "court_clicks.csv", clicks(0.5, FOUR))
    by_clicks = run_court(rig_folder, lines=False)
    assert by_clicks.court is not None and by_clicks.court.lines == () and len(by_clicks.court.clicks) == 4
    assert not (derived / "court_lines_left.png").exists()


def test_another_court_picture_makes_the_court_anew_and_a_bad_one_falls_back(rig_folder: Path) -> None:
    write_clicks(rig_folder / "court_clicks.csv", clicks(0.5, FOUR))
    before = run_court(rig_folder)
    assert before.court is not None and before.court.lines
    for name, image in grass().items():
        cv2.imwrite(str(rig_folder / f"{name}.png"), image)
    fallen_back = run_court(rig_folder)
    assert fallen_back.court is not None and fallen_back.court.lines == ()
    assert any("placed by the clicks alone" in f for f in fallen_back.flags)
    with pytest.raises(NotMeasurable):
        run_court(rig_folder, lines=True)
