"""Which way `courtplumb court` takes: the lines alone, the clicking page, or a file of clicks."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

import calibration
from calibration.errors import NotMeasurable
from recon.cli.app import app
from recon.viewer import click_page
from tests.support.example_rig import example_rig
from tests.support.rig_toml import rig_toml
from tests.support.world import three_cameras

RIG = rig_toml({"west": 'lens_footage = "west.mp4"\ncourt_picture = "west.png"'})


@dataclass
class Watched:
    """What the command asked for: (clicks given, lines) per registration, and how often a page was opened."""

    registered: list[tuple[bool, object]] = field(default_factory=list)
    pages: int = 0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(RIG, "utf-8")
    cv2.imwrite(str(tmp_path / "west.png"), np.zeros((9, 16, 3), np.uint8))
    return tmp_path


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> Watched:
    """The engine and the page are played; lines alone fail where the picture is named `unclear`."""
    seen = Watched()

    def run_court(rig: Path, clicks: Path | None, *_: object, lines: object, date_utc: str) -> object:
        seen.registered.append((clicks is not None, lines))
        if (rig / "unclear").exists() and not (rig / "court_clicks.csv").exists() and clicks is None:
            raise NotMeasurable("west: too few lines")
        return example_rig(three_cameras())

    def click_court(rig: Path, register: object, **_: object) -> None:
        seen.pages += 1
        if not (rig / "walked away").exists():
            (rig / "court_clicks.csv").write_text("", "utf-8")

    monkeypatch.setattr(calibration, "run_court", run_court)
    monkeypatch.setattr(click_page, "click_court", click_court)
    return seen


def court(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["court", *map(str, words)])
    return done.exit_code, done.output


def test_lines_alone_need_no_page(folder: Path, watched: Watched) -> None:
    assert court(folder)[0] == 0
    assert watched == Watched([(False, "auto")], 0)


def test_unclear_lines_open_the_page_and_say_why(folder: Path, watched: Watched) -> None:
    (folder / "unclear").touch()
    code, told = court(folder)
    assert code == 0 and "note: west: too few lines" in told
    assert watched == Watched([(False, "auto"), (False, "auto")], 1)


def test_a_page_closed_without_clicks_registers_nothing(folder: Path, watched: Watched) -> None:
    (folder / "unclear").touch()
    (folder / "walked away").touch()
    code, told = court(folder)
    assert code == 2 and "no points were clicked" in told
    assert watched == Watched([(False, "auto")], 1)


@pytest.mark.parametrize(
    ("option", "expected"),
    [
        ("--click", Watched([(False, "auto")], 1)),
        ("--no-lines", Watched([(False, False)], 1)),
    ],
)
def test_the_page_opens_when_asked_for(folder: Path, watched: Watched, option: str, expected: Watched) -> None:
    assert court(folder, option)[0] == 0
    assert watched == expected


def test_a_file_of_clicks_needs_no_page(folder: Path, watched: Watched) -> None:
    clicks = folder / "mine.csv"
    clicks.touch()
    assert court(folder, "--clicks", clicks)[0] == 0
    assert watched == Watched([(True, "auto")], 0)
