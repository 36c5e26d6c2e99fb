"""Screens entered by hand: limits as published, traps avoided, nothing diagnosed, nothing invented."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import pytest

from calibration import BadInput
from recon import screens as package
from recon.screens import SCREENS_FILE, ScreenLine, find_screens, flags, form, load_screens, screen_lines


def written(folder: Path, text: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / SCREENS_FILE
    path.write_text(text, encoding="utf-8")
    return path


def lines(folder: Path, text: str, age: float | None = 30.0) -> dict[str, ScreenLine]:
    return {line.label: line for line in screen_lines(load_screens(written(folder, text)), age)}


def flag(folder: Path, text: str, age: float | None = 30.0) -> str:
    (line,) = lines(folder, text, age).values()
    return line.flag


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("knee_to_wall_cm = { left = 10.6, right = 12.1 }", "left and right 1.5 cm apart"),
        ("knee_to_wall_cm = { left = 12.1, right = 10.6 }", "left and right 1.5 cm apart"),
        ("knee_to_wall_cm = { left = 10.6, right = 12.0 }", ""),
        ("knee_to_wall_cm = { left = 4.0, right = 4.0 }", ""),  # short on both sides: no verified limit
        ("shank_angle_deg = { left = 35, right = 40 }", "left and right 5.0° apart"),
        ("shank_angle_deg = { left = 35.2, right = 40 }", ""),
        ("hip_internal_rotation_deg = { left = 24.9, right = 30 }", "left below 25°"),
        ("hip_internal_rotation_deg = { left = 24, right = 23 }", "left and right below 25°"),
        ("hip_internal_rotation_deg = { left = 25, right = 35 }", ""),
        ("hip_internal_rotation_deg = { left = 26, right = 36.5 }", "left and right 10.5° apart"),
        ("hip_external_rotation_deg = { left = 30, right = 40.5 }", "left and right 10.5° apart"),
        ("hip_external_rotation_deg = { left = 15, right = 20 }", ""),
        ("reach_anterior_cm = { left = 60, right = 64 }", ""),
        ("reach_anterior_cm = { left = 60, right = 64.5 }", "left and right 4.5 cm apart"),
        ("reach_posteromedial_cm = { left = 60, right = 80 }", ""),
        ("stance_eyes_open_s = { left = 3, right = 60 }", ""),
        ("knee_to_wall_cm = { left = 4.0 }", ""),
    ],
)
def test_flags_are_the_published_limits_and_no_others(text: str, said: str, tmp_path: Path) -> None:
    assert flag(tmp_path, text) == said


def test_centimetres_are_never_turned_into_degrees(tmp_path: Path) -> None:
    """1.4 cm apart would be over 5° at the 3.6 degrees a centimetre that is passed on; it is no flag here."""
    found = lines(tmp_path, "knee_to_wall_cm = { left = 10.0, right = 11.4 }")
    (line,) = found.values()
    assert line.flag == "" and "°" not in line.left + line.right + line.apart
    assert "not turned into degrees" in line.beside
    assert "knee to wall, angle of the shank" not in found
    for module in (package, form, flags):
        assert "3.6" not in inspect.getsource(module)


def test_distance_and_angle_are_judged_each_by_itself(tmp_path: Path) -> None:
    found = lines(
        tmp_path,
        "knee_to_wall_cm = { left = 10.0, right = 12.0 }\nshank_angle_deg = { left = 38.0, right = 40.0 }",
    )
    assert [bool(line.flag) for line in found.values()] == [True, False]


def test_grade_and_source_stand_with_every_limit_and_counter_evidence_beside(tmp_path: Path) -> None:
    text = "\n".join(
        f"{key} = {{ left = 40, right = 60 }}"
        for key in (
            "hip_internal_rotation_deg",
            "hip_external_rotation_deg",
            "shank_angle_deg",
            "reach_anterior_cm",
        )
    )
    found = lines(tmp_path, text + "\nknee_to_wall_cm = { left = 10, right = 15 }")
    assert all(line.flag and line.grade and re.search(r"\d", line.source) for line in found.values())
    assert {line.grade[0] for line in found.values()} == {"A", "B", "C"}
    assert "no association" in found["reach to the front"].beside
    assert "evidence mixed" in found["reach to the front"].grade


def test_values_that_nobody_could_check_are_not_printed(tmp_path: Path) -> None:
    """43 and 9 s of standing, 9 to 10 cm, 90 % symmetry, 94 % of limb length: no checked source has them."""
    found = lines(
        tmp_path, "stance_eyes_open_s = { left = 20, right = 30 }\nstance_eyes_closed_s = { left = 7 }"
    )
    for line in found.values():
        assert line.flag == "" and line.source == "" and "none was found that could be checked" in line.beside
    source = inspect.getsource(flags)
    assert not re.search(r"\b(43 s|9 s|45 s|94 ?%|90 ?%|9 to 10 cm)", source)


def test_young_players_get_no_limit_of_adults(tmp_path: Path) -> None:
    text = "hip_internal_rotation_deg = { left = 20, right = 22 }"
    assert flag(tmp_path, text, 16.0) == "left and right below 25°"
    for age in (12.0, None):
        (line,) = lines(tmp_path, text, age).values()
        assert line.flag == "" and "25" not in line.source and "under 16" in line.beside
    assert flag(
        tmp_path, "knee_to_wall_cm = { left = 10, right = 12 }", 12.0
    )  # measuring is the same at any age


def test_trials_are_averaged_and_the_composite_is_by_hand(tmp_path: Path) -> None:
    """(60 + 90 + 84) / (3 · 90) = 86.7 %."""
    text = (
        "knee_to_wall_cm = { left = [10.0, 10.5, 11.0], right = 11.0 }\n"
        "reach_anterior_cm = { left = 60 }\nreach_posteromedial_cm = { left = 90, right = 91 }\n"
        "reach_posterolateral_cm = { left = 84, right = 85 }\nlimb_length_cm = { left = 90, right = 90 }"
    )
    found = lines(tmp_path, text)
    assert found["knee to wall, big toe to wall"].left == "10.5 cm"
    composite = found["the three reaches over limb length"]
    assert (composite.left, composite.right, composite.flag) == ("86.7 %", "not taken", "")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("knee_to_wall_mm = { left = 100 }", "knee_to_wall_mm: unknown key"),
        ("knee_to_wall_cm = { left = 105 }", "want 0 to 30, got 105"),
        ("knee_to_wall_cm = { left = [] }", "at least one trial"),
        ('knee_to_wall_cm = { left = "ten" }', "want a number or a list of numbers"),
        ("knee_to_wall_cm = {}", "want left, right or both"),
        ("knee_to_wall_cm = { front = 10 }", "unknown key"),
        ("knee_to_wall_cm = 10", "knee_to_wall_cm"),
        ("knee_to_wall_cm = ", "not valid TOML"),
    ],
)
def test_a_file_that_cannot_be_meant_is_refused(text: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=re.escape(said)) as error:
        load_screens(written(tmp_path, text))
    assert SCREENS_FILE in str(error.value)


def test_the_file_lies_in_the_session_or_the_players_folder(tmp_path: Path) -> None:
    sessions = [tmp_path / "player" / name for name in ("a", "b")]
    for folder in sessions:
        folder.mkdir(parents=True)
    assert find_screens(sessions) is None
    shared = written(tmp_path / "player", "knee_to_wall_cm = { left = 10 }")
    assert find_screens(sessions) == shared
    own = written(sessions[0], "knee_to_wall_cm = { left = 10 }")
    assert find_screens(sessions) == own
    written(sessions[1], "knee_to_wall_cm = { left = 10 }")
    with pytest.raises(BadInput, match="--screens"):
        find_screens(sessions)
    with pytest.raises(BadInput, match="found none"):
        load_screens(tmp_path / "nowhere.toml")


def test_screens_neither_diagnose_nor_explain() -> None:
    text = f"{flags.BESIDE} {flags.YOUNG}".lower()
    assert "no diagnosis" in text and "cause none and explain none" in text
    source = inspect.getsource(flags).lower()
    for word in ("weakness", "instability", "impingement", "you have", "injury risk"):
        assert word not in source
