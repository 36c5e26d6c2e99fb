"""File forms: whole or not at all, and one clear line for each kind of fault."""

from __future__ import annotations

import json
import os
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.board import Board
from calibration.court.clicks import Click
from calibration.errors import BadInput
from calibration.files import load_lens, load_rig, save_lens, save_rig, write_atomically
from calibration.folder import read_clicks, read_rig_folder, write_clicks
from calibration.own import load_any_rig
from calibration.provenance import content_hash
from tests.support.calibration_records import example_lens, example_rig

RIG_TOML = """
name = "invented"
[board]
columns = 9
rows = 6
square_mm = 100.0
[[camera]]
name = "rear_left"
lens_footage = "lens/rear_left.mp4"
court_picture = "court/rear_left.png"
[[camera]]
name = "rear_right"
lens_footage = "lens/rear_right.mp4"
[[shared]]
[shared.footage]
rear_left = "shared/a.mp4"
rear_right = "shared/b.mp4"
"""


def written(folder: Path, text: str) -> Path:
    (folder / "rig.toml").write_text(text, encoding="utf-8")
    return folder


def test_rig_folder_is_read(tmp_path: Path) -> None:
    folder = read_rig_folder(written(tmp_path, RIG_TOML))
    assert folder.board == Board(9, 6, 0.1) and folder.camera_names == ("rear_left", "rear_right")
    assert folder.shared[0]["rear_right"] == tmp_path / "shared" / "b.mp4"
    assert folder.cameras[1].court_picture is None
    assert folder.calibrated_rig_path == tmp_path / "derived" / "calibrated_rig.json"
    assert read_rig_folder(tmp_path / "rig.toml") == folder


@pytest.mark.parametrize(
    ("old", "new", "wanted"),
    [
        ("columns = 9", "columns = 'nine'", r"rig\.toml: board\.columns: .*integer.* got 'nine'"),
        ("columns = 9", "", r"rig\.toml: board\.columns: want it given, got nothing"),
        ("columns = 9", "colums = 9\ncolumns = 9", r"rig\.toml: board\.colums: unknown key"),
        ("columns = 9", "columns = 6", "got columns = 6, rows = 6"),
        ("square_mm = 100.0", "square_mm = -1", r"board\.square_mm: .*greater than 0, got -1"),
        ('name = "rear_right"', 'name = "rear_left"', "'rear_left' is listed twice"),
        ('name = "rear_right"', 'name = "rear/right"', r"camera\.2\.name: want letters, digits"),
        (
            'rear_right = "shared/b.mp4"',
            'top = "shared/b.mp4"',
            r"shared\.1\.footage: 'top' is not a \[\[camera\]\]",
        ),
        ('rear_right = "shared/b.mp4"', "", r"shared\.1\.footage: want two cameras or more"),
        ('name = "invented"', "name = ", "not a TOML file"),
    ],
)
def test_faults_in_rig_toml_are_named_in_one_line(tmp_path: Path, old: str, new: str, wanted: str) -> None:
    assert old in RIG_TOML
    with pytest.raises(BadInput, match=wanted) as caught:
        read_rig_folder(written(tmp_path, RIG_TOML.replace(old, new)))
    assert "\n" not in str(caught.value)


MEASURED = "measured_mm = 999.0\nmeasured_squares = 10\nmeasured_u_mm = 0.4"


def test_a_length_over_many_squares_gives_the_squares_side(tmp_path: Path) -> None:
    board = read_rig_folder(written(tmp_path, RIG_TOML.replace("square_mm = 100.0", MEASURED))).board
    assert board.square_m == pytest.approx(0.0999) and board.square_u_m == pytest.approx(0.00004)


def test_a_charuco_board_is_read(tmp_path: Path) -> None:
    keys = 'kind = "charuco"\nsquare_mm = 100.0\nmarker_mm = 70.0\ndictionary = "5x5_100"'
    board = read_rig_folder(written(tmp_path, RIG_TOML.replace("square_mm = 100.0", keys))).board
    assert board == Board(9, 6, 0.1, kind="charuco", marker_m=0.07, dictionary="5x5_100")


@pytest.mark.parametrize(
    ("keys", "wanted"),
    [
        ("", "want square_mm, or measured_mm with measured_squares, got neither"),
        (
            f"square_mm = 100.0\n{MEASURED}",
            "want the squares' side once, .* got square_mm beside measured_mm and",
        ),
        (f"square_u_mm = 0.1\n{MEASURED}", "got square_u_mm beside measured_mm"),
        ("measured_mm = 999.0", "measured_mm wants measured_squares and measured_u_mm too"),
        ("measured_mm = 999.0\nmeasured_squares = 10", "wants measured_u_mm too"),
        (MEASURED.replace("= 10", "= 11"), "want at most the 10 squares of the longer side, got 11"),
        (MEASURED.replace("= 10", "= 9.5"), r"board\.measured_squares: .*integer"),
        ('square_mm = 100.0\nkind = "charuco"', "a charuco board wants marker_mm and dictionary, got nothing"),
        ('square_mm = 100.0\nkind = "circles"', "want kind = .* got 'circles'"),
        ("square_mm = 100.0\nmarker_mm = 70.0", "a checkerboard has no markers"),
    ],
)
def test_faults_of_the_board_are_named_in_one_line(tmp_path: Path, keys: str, wanted: str) -> None:
    with pytest.raises(BadInput, match=wanted) as caught:
        read_rig_folder(written(tmp_path, RIG_TOML.replace("square_mm = 100.0", keys)))
    assert "\n" not in str(caught.value) and str(caught.value).startswith(str(tmp_path / "rig.toml"))


def test_no_rig_toml(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"rig\.toml: no such file"):
        read_rig_folder(tmp_path)


def test_clicks_come_back_as_written(tmp_path: Path) -> None:
    clicks = [
        Click("a", "baseline_centre", np.array([1.25, 0.1])),
        Click("b", "service_centre", np.array([3.0, 4.0])),
    ]
    write_clicks(tmp_path / "c.csv", clicks)
    got = read_clicks(tmp_path / "c.csv")
    assert [(c.camera, c.point, *c.uv_px) for c in got] == [(c.camera, c.point, *c.uv_px) for c in clicks]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", "line 1: want the columns camera,point,u_px,v_px, got nothing"),
        ("camera,point,u,v\n", "line 1: want the columns"),
        ("camera,point,u_px,v_px\n", "holds no clicks"),
        ("camera,point,u_px,v_px\na,net,1,2\n", "line 2: unknown court point 'net'"),
        ("camera,point,u_px,v_px\n\na,baseline_centre,1,x\n", "line 3: u_px, v_px: want numbers, got '1', 'x'"),
        ("camera,point,u_px,v_px\na,baseline_centre,1,nan\n", "line 2: .*not finite"),
        ("camera,point,u_px,v_px\na,baseline_centre,1\n", "line 2: want 4 values, got 3"),
    ],
)
def test_faults_in_clicks_are_named_with_their_line(tmp_path: Path, text: str, wanted: str) -> None:
    (tmp_path / "c.csv").write_text(text)
    with pytest.raises(BadInput, match=wanted):
        read_clicks(tmp_path / "c.csv")


def test_missing_clicks(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="click the court points first"):
        read_clicks(tmp_path / "c.csv")


def test_writing_replaces_whole_files_and_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "deep" / "a.json"
    write_atomically(path, "old")

    def full_disk(*_: object) -> None:
        raise OSError("no space")

    monkeypatch.setattr(os, "replace", full_disk)
    with pytest.raises(OSError, match="no space"):
        write_atomically(path, "new")
    assert path.read_text() == "old" and [p.name for p in path.parent.iterdir()] == ["a.json"]


def test_damaged_and_foreign_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    save_rig(path, example_rig(np.random.default_rng(1)))
    text = path.read_text()
    for spoiled, wanted in (
        (text[: len(text) // 2], "not a JSON file"),
        ("[]", "want a JSON object"),
        (text.replace("courtplumb-rig-2", "courtplumb-rig-9"), "format: want 'courtplumb-rig-2'"),
        (text.replace('"flags"', '"flag"'), "flags?: "),
        (text.replace('"tx_m"', '"ty_m"', 1), "covariance_order"),
        (text.replace('"held":', '"kept": 1, "held":', 1), r"court\.lines\.1\.kept: unknown key"),
        (text.replace('"held":', '"kept":', 1), r"court\.lines\.1\.held: want it given"),
        (text.replace('"samples": 40', '"samples": 40.5', 1), r"court\.lines\.1\.samples: .*integer"),
        (re.sub(r'"rms_px": [0-9.]+', '"rms_px": NaN', text, count=1), r"court\.rms_px: .*finite"),
    ):
        path.write_text(spoiled)
        with pytest.raises(BadInput, match=wanted):
            load_rig(path)
    with pytest.raises(BadInput, match="no such file"):
        load_lens(tmp_path / "none.json")


def test_what_is_no_number_is_not_written(tmp_path: Path) -> None:
    rig = example_rig(np.random.default_rng(1))
    assert rig.court is not None
    with pytest.raises(ValueError, match="finite"):
        save_rig(tmp_path / "a.json", replace(rig, court=replace(rig.court, rms_px=float("nan"))))
    assert not list(tmp_path.iterdir())


def test_a_lens_file_is_no_rig_file(tmp_path: Path) -> None:
    save_lens(tmp_path / "l.json", example_lens(np.random.default_rng(1)))
    with pytest.raises(BadInput, match="format: want 'courtplumb-rig-2', got 'courtplumb-lens-2'"):
        load_rig(tmp_path / "l.json")


def test_content_hash_follows_content_and_names(tmp_path: Path) -> None:
    (tmp_path / "f").mkdir()
    (tmp_path / "f" / "a").write_text("x")
    first = content_hash(tmp_path / "f")
    # FIPS 180-4 test vector for "abc"
    (tmp_path / "abc").write_text("abc")
    assert content_hash(tmp_path / "abc").startswith("ba7816bf8f01cfea414140de5dae2223b00361a3")
    (tmp_path / "f" / "a").rename(tmp_path / "f" / "b")
    assert content_hash(tmp_path / "f") != first
    with pytest.raises(BadInput, match="no such file"):
        content_hash(tmp_path / "g")


OWN = {
    "name": "mine",
    "camera": [
        {"name": "a", "size_px": [1280, 720], "K_px": [[1000, 0, 640], [0, 1000, 360], [0, 0, 1]],
         "distortion": [0, 0, 0, 0, 0], "rotvec_rad": [1.2, 0, 0], "t_m": [0, 0, 5]},
        {"name": "b", "size_px": [1280, 720], "K_px": [[1000, 0, 640], [0, 1000, 360], [0, 0, 1]],
         "distortion": [0, 0, 0, 0, 0], "rotation": [[1, 0, 0], [0, 0, -1], [0, 1, 0]], "t_m": [0, 0, 5],
         "covariance": np.diag(np.full(15, 1e-6)).tolist()},
    ],
}  # fmt: skip


def test_an_own_calibration_is_read_with_stated_assumptions(tmp_path: Path) -> None:
    (tmp_path / "own.json").write_text(json.dumps(OWN))
    rig = load_any_rig(tmp_path / "own.json")
    assert rig.frame == "court" and rig.names == ("a", "b")
    assert rig.flags == ("a: no covariance given; common uncertainties are assumed",)
    assert np.sqrt(rig.covariance[0, 0]) == pytest.approx(3.0) and rig.covariance[23, 23] == 1e-6
    save_rig(tmp_path / "back.json", rig)
    assert load_any_rig(tmp_path / "back.json").names == rig.names


def test_an_own_calibration_in_toml(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(
        'frame = "rig"\n[[camera]]\nname = "a"\nsize_px = [640, 480]\n'
        "K_px = [[500.0, 0, 320], [0, 500, 240], [0, 0, 1]]\ndistortion = [0, 0, 0, 0, 0]\n"
        "rotvec_rad = [0, 0, 0]\nt_m = [0, 0, 0]\n"
    )
    assert load_any_rig(tmp_path / "own.toml").frame == "rig"


@pytest.mark.parametrize(
    ("key", "value", "wanted"),
    [
        ("rotvec_rad", None, "either rotation .* or rotvec_rad"),
        ("K_px", [[1000, 0], [0, 1000, 360], [0, 0, 1]], "K_px: want rows of equal length"),
        ("K_px", [[1000, 1, 0], [0, 1000, 360], [0, 0, 1]], "K_px: want"),
        ("distortion", [0, 0, 0, 0], r"distortion: want shape \(5,\)"),
        ("t_m", "here", r"camera\.1\.t_m: .*list"),
        ("focal", 5, r"camera\.1\.focal: unknown key"),
    ],
)
def test_faults_in_an_own_calibration_are_named(tmp_path: Path, key: str, value: object, wanted: str) -> None:
    first = {**OWN["camera"][0], key: value}
    (tmp_path / "own.json").write_text(json.dumps({**OWN, "camera": [first]}))
    with pytest.raises(BadInput, match=wanted):
        load_any_rig(tmp_path / "own.json")
