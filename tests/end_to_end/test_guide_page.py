"""The guide's live page in headless Chromium, and its command, on invented footage."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from calibration.folder import read_rig_folder
from calibration.guide import GuideSession, Patience, sources_of
from recon.cli.app import app
from recon.viewer.guide_page import GuidePage
from tests.support.board_tour import facing, shot, tour_camera, write_growing
from tests.support.chromium import browser, visit
from tests.support.rig_toml import rig_toml

RIG = rig_toml({"west": 'lens_footage = "west.ts"'})


@pytest.fixture
def rig_folder(tmp_path: Path) -> Path:
    """A rig folder whose only footage shows a board that is held at one place."""
    (tmp_path / "rig.toml").write_text(RIG, "utf-8")
    picture = shot(tour_camera(), facing(0.0, 0.0, 2.0), np.random.default_rng(1))
    write_growing(tmp_path / "west.ts", 40 * [picture], form="mpegts")
    return tmp_path


def test_the_page_says_where_to_hold_the_board_and_ends_on_finish(rig_folder: Path, tmp_path: Path) -> None:
    stop = threading.Event()
    folder = read_rig_folder(rig_folder)
    session = GuideSession(folder, sources_of(folder, None, {}), Patience(idle_s=60, stopped=stop.is_set))
    running = threading.Thread(target=session.run)
    running.start()
    try:
        with (
            GuidePage(session, stop.set) as page,
            browser(tmp_path / "profile") as context,
            visit(context, page.url) as seen,
        ):
            seen.page.wait_for_function("document.querySelector('.counts')?.textContent.startsWith('1 view;')")
            asked = session.watches[0].judge.standing().missing[0] if session.watches[0].judge else None
            assert asked is not None
            assert seen.page.inner_text(".lines").split("\n")[0] == asked.where
            assert "this place is done" in seen.page.inner_text(".verdict")
            seen.page.wait_for_function("document.querySelector('.picture img').naturalWidth === 640")
            left, right = asked.where.count("left"), asked.where.count("right")
            assert left != right
            seen.page.click("#mirror")
            seen.page.wait_for_function(  # the page writes it when it next asks
                "old => document.querySelector('.lines').innerText.split('\\n')[0] !== old", arg=asked.where
            )
            mirrored = seen.page.inner_text(".lines").split("\n")[0]
            assert (mirrored.count("left"), mirrored.count("right")) == (right, left)
            seen.page.click("#finish")
            running.join(20)
            assert not running.is_alive()
            assert seen.from_elsewhere() == [] and seen.errors == []
    finally:
        stop.set()
        running.join(20)


def test_the_command_says_what_is_missing(rig_folder: Path) -> None:
    words = ["guide", str(rig_folder), "--no-page", "--idle", "0.5"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 3
    assert "missing: west: accepted views: 1, want at least 8" in done.output
    assert (rig_folder / "derived" / "guide" / "west.png").is_file()


def test_the_command_says_why_a_source_cannot_be_read(rig_folder: Path) -> None:
    done = CliRunner().invoke(app, ["guide", str(rig_folder), "--no-page", "--source", "west=udp://8.8.8.8:1"])
    assert done.exit_code == 3
    assert "stopped" in done.output and "missing: west" not in done.output
