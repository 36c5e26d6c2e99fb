"""A session whose footage does not fit the calibration is refused before any work, or flagged."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from calibration.errors import BadInput
from calibration.own import load_any_rig
from recon.cli import app
from recon.pipeline import measure_session
from recon.pipeline.footage import want_fitting
from recon.session import load_session
from tests.support.board_pictures import write_video
from tests.support.scenes import SIZE, later, save_clip, save_scene_rig, scene

COURT = {name: scene(i) for i, name in enumerate(("left", "right"))}
TOML = 'rig = "rig"\nhandedness = "right"\n[video]\nleft = "left.mp4"\nright = "right.mp4"\n'


@pytest.fixture
def session(tmp_path: Path) -> Path:
    save_scene_rig(tmp_path / "rig", COURT)
    for name, picture in COURT.items():
        save_clip(tmp_path / f"{name}.mp4", picture)
    (tmp_path / "session.toml").write_text(TOML)
    return tmp_path


def said(session: Path) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["check-footage", str(session)])
    return done.exit_code, done.output


def test_footage_that_fits_is_told_so(session: Path) -> None:
    code, output = said(session)
    assert code == 0 and output.count("as calibrated") == 2
    rig = load_any_rig(session / "rig" / "derived" / "calibrated_rig.json")
    assert [f.grade for f in want_fitting(load_session(session), rig)] == ["fits", "fits"]


def test_exchanged_files_are_refused_before_measuring(session: Path) -> None:
    (session / "session.toml").write_text(
        TOML.replace("left.mp4", "x").replace("right.mp4", "left.mp4").replace("x", "right.mp4")
    )
    code, output = said(session)
    assert code == 2 and output.count("exchanged") == 4
    with pytest.raises(BadInput, match=r"does not fit the calibration: left: this is what camera right sees"):
        measure_session(session)
    assert not (session / "derived").exists()


def test_a_zoom_is_flagged_and_goes_on(session: Path) -> None:
    zoom = np.array([[1.05, 0, -0.05 * 319.5], [0, 1.05, -0.05 * 179.5]])
    frames = [cv2.warpAffine(later(COURT["left"], i), zoom, SIZE) for i in range(12)]
    write_video(session / "left.mp4", frames, fps=12)
    code, output = said(session)
    assert code == 3 and "scaled by +5.0 %" in " ".join(output.split())
    rig = load_any_rig(session / "rig" / "derived" / "calibrated_rig.json")
    assert [f.grade for f in want_fitting(load_session(session), rig)] == ["flagged", "fits"]


def test_own_points_have_no_footage_to_check(session: Path) -> None:
    (session / "session.toml").write_text(TOML.replace("[video]", 'keypoints = "own.csv"\n[video]'))
    code, output = said(session)
    assert code == 0 and "no footage to check" in output
