"""What the docs say about files and names is what the program reads and writes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calibration.court.model import COURT_POINTS_M
from calibration.folder import CLICK_COLUMNS, read_rig_folder
from calibration.geometry.camera import PARAMETERS
from calibration.own import load_any_rig
from recon.assets import catalogue
from recon.cli import app
from recon.definitions.page import all_sections
from recon.export import points_table
from recon.findings import load_rules
from recon.keypoints.own_file import COLUMNS
from recon.measures.catalogue import MEASURES
from recon.planning.description import PlanForm, load_plan
from recon.records import DETECTED, EVENT_NAMES, KEYPOINTS, Motion, PointStatus
from recon.screens import Screens, load_screens, screen_lines
from recon.session import SessionFile, load_session
from recon.uncertainty import JOINT_OFFSET_M
from tests.architecture.source_tree import ROOT

DOCS = ROOT / "docs"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```", re.S | re.M)


def text_of(name: str) -> str:
    return (DOCS / name).read_text(encoding="utf-8")


def blocks(kind: str, first_line: str) -> list[tuple[str, str]]:
    """(page, code) of every fenced block of that kind that begins with a line."""
    found = []
    for page in sorted(DOCS.rglob("*.md")):
        for language, code in BLOCK.findall(page.read_text(encoding="utf-8")):
            if language == kind and code.startswith(first_line):
                found.append((page.name, code))
    return found


@pytest.mark.parametrize(("page", "code"), blocks("toml", "# session.toml"))
def test_every_session_file_in_the_docs_is_read(page: str, code: str, tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text(code, encoding="utf-8")
    assert load_session(tmp_path).file.rig == "../my_rig", page


@pytest.mark.parametrize(("page", "code"), blocks("toml", "# rig.toml"))
def test_every_rig_file_in_the_docs_is_read(page: str, code: str, tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(code, encoding="utf-8")
    assert len(read_rig_folder(tmp_path).cameras) >= 2, page


@pytest.mark.parametrize(("page", "code"), blocks("toml", "# own_rig.toml"))
def test_every_own_calibration_in_the_docs_is_read(page: str, code: str, tmp_path: Path) -> None:
    (tmp_path / "own_rig.toml").write_text(code, encoding="utf-8")
    rig = load_any_rig(tmp_path / "own_rig.toml")
    assert rig.frame == "court" and all(c.centre_m()[1] < 0 for c in rig.cameras), page  # behind the baseline


@pytest.mark.parametrize(("page", "code"), blocks("toml", "# plan.toml"))
def test_every_plan_in_the_docs_is_read(page: str, code: str, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(code, encoding="utf-8")
    assert len(load_plan(tmp_path / "plan.toml").cameras) >= 2, page


@pytest.mark.parametrize(("page", "code"), blocks("toml", "# screens.toml"))
def test_every_file_of_screens_in_the_docs_is_read(page: str, code: str, tmp_path: Path) -> None:
    (tmp_path / "screens.toml").write_text(code, encoding="utf-8")
    assert screen_lines(load_screens(tmp_path / "screens.toml"), 30.0), page


@pytest.mark.parametrize(("page", "code"), blocks("toml", "# rules.toml"))
def test_every_file_of_rules_in_the_docs_is_read(page: str, code: str, tmp_path: Path) -> None:
    (tmp_path / "rules.toml").write_text(code, encoding="utf-8")
    assert load_rules(tmp_path / "rules.toml"), page


def test_every_screen_is_explained() -> None:
    section = text_of("files.md").split("## screens.toml")[1].split("\n## ")[0]
    assert [k for k in Screens.model_fields if f"`{k}`" not in section] == []


def test_every_rule_stands_with_its_limits() -> None:
    rows = [line for line in text_of("how-to/compare-serves.md").splitlines() if line.startswith("| ")]
    for rule in load_rules():
        head = f"| {'strength: ' if rule.kind == 'strength' else ''}{rule.title} |"
        (row,) = [line for line in rows if line.startswith(head)]
        for c in rule.conditions:
            limit = f"{c.band} its published band" if c.band is not None else c.limit_words
            assert f"`{c.measure}` {limit}" in row, rule.name


def test_every_key_of_a_plan_is_explained() -> None:
    section = text_of("files.md").split("## plan.toml")[1].split("\n## ")[0]
    keys = set(PlanForm.model_fields) - {"camera"}
    for form in PlanForm.model_json_schema()["$defs"].values():
        keys |= set(form["properties"]) - {"allowed"}
    assert [k for k in sorted(keys) if not re.search(rf"`\[*{k}\]*`", section)] == []


def test_every_column_of_the_exported_tables_is_listed() -> None:
    page = text_of("files.md")
    motion = Motion("court", ("nose",), [0.0], [[[0.0] * 3]], [[[0.0] * 3]], [[[[0.0] * 3] * 3]], [[0]])
    assert [c for c in points_table(motion).columns if f"`{c}`" not in page] == []


def test_every_command_stands_on_the_first_page() -> None:
    names = {c.name or (c.callback.__name__ if c.callback else "") for c in app.registered_commands}
    page = text_of("index.md")
    assert [n for n in names if f"`courtplumb {n}" not in page] == []


def test_the_docs_show_a_session_a_rig_and_both_tables() -> None:
    assert len(blocks("toml", "# session.toml")) >= 3 and blocks("toml", "# rig.toml")
    assert blocks("toml", "# own_rig.toml") and blocks("toml", "# screens.toml")
    assert blocks("toml", "# rules.toml")
    assert blocks("csv", ",".join(CLICK_COLUMNS) + "\n")
    assert blocks("csv", ",".join(COLUMNS) + "\n")


def test_every_key_of_a_session_is_explained() -> None:
    page = text_of("files.md")
    assert [
        key for key in SessionFile.model_fields if f"`{key}`" not in page and f"`[{key}]`" not in page
    ] == []


def test_every_court_point_is_named_and_no_other() -> None:
    section = text_of("files.md").split("## court_clicks.csv")[1].split("\n## ")[0]
    named = set(re.findall(r"`((?:far_)?(?:baseline|service|net)_\w+)`", section))
    assert named == set(COURT_POINTS_M)


def test_every_measure_and_event_has_its_row_and_evidence() -> None:
    page = text_of("measures.md")
    rows = {name: line for line in page.splitlines() for name in re.findall(r"^\| `(\w+)`", line)}
    assert set(rows) == set(MEASURES) | set(EVENT_NAMES)
    words = {
        "published": "published value",
        "common practice": "common practice",
        "definition": "definition only",
    }
    for name, entry in MEASURES.items():
        assert f"| {entry.definition.unit} |" in rows[name], name
        assert words[entry.definition.evidence] in rows[name], name


def test_the_measures_rows_are_made_from_their_definitions() -> None:
    # run `.venv/bin/python tools/measures_page.py` after a change of recon/definitions or recon/bands.py
    assert all_sections() in text_of("measures.md")


def test_every_keypoint_name_can_be_put_together() -> None:
    section = text_of("files.md").split("## Keypoint names")[1].split("\n## ")[0]
    words = set(re.findall(r"`(\w+)`", section))
    assert {k.removeprefix("left_").removeprefix("right_") for k in KEYPOINTS} <= words


def test_the_assumed_joint_offsets_are_those_of_the_page() -> None:
    page = text_of("uncertainty.md")
    rows = re.findall(r"^\| ([a-z, ]+) \| (\d+) mm \|", page, re.M)
    told = {point.strip(): int(mm) for points, mm in rows for point in points.split(",")}
    # when the study was made anew, change the page's table with it
    assert told == {part: round(1e3 * metres) for part, metres in JOINT_OFFSET_M.items()}
    assert f"{DETECTED.slow_s:g} s" in page


def test_every_status_and_camera_parameter_is_listed_in_order() -> None:
    page = text_of("files.md")
    assert [int(n) for n in re.findall(r"^\| (\d) \|", page, re.M)] == [int(s) for s in PointStatus]
    assert ", ".join(PARAMETERS) in page


def test_every_fetched_package_stands_with_its_version_and_licence() -> None:
    page = text_of("licences.md")
    for package in (catalogue.POSE_WHEEL, catalogue.POSE_TARBALL, catalogue.BODY_WHEEL):
        (row,) = [line for line in page.splitlines() if f"{package.name} {package.version}" in line]
        assert package.licence.split(" ")[0] in row


def test_every_runtime_dependency_stands_with_a_licence() -> None:
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    page = text_of("licences.md")
    names = [re.split(r"[<>=!~ ]", d)[0] for d in project["dependencies"]]
    assert [n for n in names if not re.search(rf"^\|[^|]*\b{re.escape(n)}\b[^|]*\|[^|]+\|", page, re.M)] == []
