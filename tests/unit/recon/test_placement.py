"""check-rig, history and --rig-version from the command line, and results that keep to their calibration."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration import BadInput, CalibratedRig, Provenance, load_rig, save_rig
from calibration.history import calibrations, keep_calibration
from calibration.provenance import content_hash
from recon.cli import app
from recon.pipeline.placement import moved_camera_flags
from recon.result import load_result
from recon.session import load_session
from tests.support.court_scenes import Day, Scene, nudged_camera, registered, scaled_camera, some_day
from tests.support.example_result import save_example
from tests.support.rig_toml import rig_toml
from tests.support.rig_worlds import court_camera

DATE = "2026-03-01T09:00:00+00:00"


def run(*words: object) -> None:
    app([str(w) for w in words], standalone_mode=False)


@pytest.fixture(scope="module")
def court(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rig of two cameras with reference pictures, and new pictures: the right one turned."""
    folder = tmp_path_factory.mktemp("court")
    rng = np.random.default_rng(2)
    cameras, blocks, references = [], [], {}
    (folder / "new").mkdir()
    for name, turn_deg in (("left", 0.0), ("right", 0.3)):
        true = scaled_camera(court_camera(name), 0.5)
        scene = Scene(true, 5)
        picture = scene.seen_by(true, Day(player=False, quality=95), rng)
        references[name] = bytes(cv2.imencode(".png", picture)[1])
        stands = nudged_camera(true, np.radians([0.0, turn_deg, 0.0]), np.zeros(3))
        cv2.imwrite(str(folder / "new" / f"{name}.png"), scene.seen_by(stands, some_day(rng), rng))
        camera, covariance = registered(true, rng)
        cameras.append(camera)
        blocks.append(covariance)
    footage = {camera.name: f'lens_footage = "lens/{camera.name}.mp4"' for camera in cameras}
    (folder / "rig.toml").write_text(rig_toml(footage))
    zero = np.zeros_like(blocks[0])
    rig = CalibratedRig(
        "invented", "court", tuple(cameras), np.block([[blocks[0], zero], [zero, blocks[1]]]), Provenance("t")
    )
    path = folder / "derived" / "calibrated_rig.json"
    save_rig(path, rig)
    keep_calibration(path, DATE, "board and court clicks", references)
    return folder


def test_check_mend_and_history(court: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = court / "derived" / "calibrated_rig.json"
    before = path.read_bytes()
    run("check-rig", court, "--pictures", court / "new")
    told = capsys.readouterr().out
    assert re.search(r"left +no ", told) and re.search(r"right +yes +0\.(29|30|31)", told) and "--mend" in told
    assert (court / "derived" / "check" / "right.png").is_file()
    assert path.read_bytes() == before  # looking changes nothing

    run("check-rig", court, "--pictures", court / "new", "--mend")
    assert "mended right" in capsys.readouterr().out
    first, second = calibrations(path)
    assert first.path.read_bytes() == before and second.sha256 == content_hash(path)
    assert (
        first.pictures["left"] == second.pictures["left"]
        and first.pictures["right"] != second.pictures["right"]
    )

    run("check-rig", court, "--pictures", court / "new", "--mend")  # from its own new picture nothing has moved
    assert "nothing was changed" in capsys.readouterr().out and len(calibrations(path)) == 2
    run("history", court)
    rows = capsys.readouterr().out.splitlines()
    assert any(first.short in row and DATE[:19] in row and "in use" not in row for row in rows)
    assert any(second.short in row and row.startswith("in use") for row in rows)


def test_check_rig_wants_one_source_of_pictures(court: Path) -> None:
    with pytest.raises(BadInput, match="either --pictures FOLDER or --session SESSION"):
        run("check-rig", court)
    with pytest.raises(BadInput, match=r"want a picture or video named as a camera \(left, right\)"):
        run("check-rig", court, "--pictures", court / "derived")


def test_a_session_on_a_moved_camera_is_flagged(court: Path, tmp_path: Path) -> None:
    """The first calibration by its hash: the mended one, if the test above ran before, knows the new place."""
    first = calibrations(court / "derived" / "calibrated_rig.json")[0]
    (tmp_path / "session.toml").write_text(
        f'rig = "{court}"\nhandedness = "right"\n[video]\n'
        + "".join(f'{n} = "{court / "new" / n}.png"\n' for n in ("left", "right"))
    )
    session = replace(load_session(tmp_path), rig_version=first.short)
    (flag,) = moved_camera_flags(session, session.camera_names)
    assert "camera right has moved" in flag and re.search(r"0\.(29|30|31) degrees", flag) and "--mend" in flag
    assert moved_camera_flags(session, ["left"]) == []


def test_a_result_stays_readable_when_its_rig_has_a_new_calibration(tmp_path: Path) -> None:
    folder = save_example(tmp_path)
    path = tmp_path / "rig" / "derived" / "calibrated_rig.json"
    provenance = folder / "derived" / "provenance.json"
    kept = json.loads(provenance.read_text())
    provenance.write_text(json.dumps(kept | {"inputs": {"rig": content_hash(path)}}))
    old = keep_calibration(path, DATE, "board and court clicks", {})
    save_rig(path, replace(load_rig(path), name="calibrated again"))
    result = load_result(folder)
    assert result.rig.name == "invented example"
    assert result.calibration is not None and result.calibration.sha256 == old.sha256
    session = replace(load_session(folder), rig_version=old.short)
    assert session.rig_path == old.path
    old.path.parent.rename(tmp_path / "gone")
    with pytest.raises(BadInput, match="changed since the serve was measured"):
        load_result(folder)
