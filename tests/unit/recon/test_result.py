"""A measured session read back: with a calibration of the user's own, and with fewer cameras than the rig."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from calibration import BadInput
from calibration.geometry.camera import N_CAMERA
from recon import store
from recon.records import Clocks, Tracks2D
from recon.result import load_result
from recon.session import load_session
from tests.support.example_result import example_cameras, save_example


def test_a_calibration_written_by_hand_is_read_back(tmp_path: Path) -> None:
    session = save_example(tmp_path)
    lines = ['frame = "court"']
    for c in example_cameras():
        lines += [
            "[[camera]]",
            f'name = "{c.name}"',
            f"size_px = {list(c.size_px)}",
            f"K_px = {c.K_px.tolist()}",
        ]
        lines += [f"distortion = {c.distortion.tolist()}", f"rotation = {c.cam_from_world.R.tolist()}"]
        lines += [f"t_m = {c.cam_from_world.t_m.tolist()}"]
    (session / "own.toml").write_text("\n".join(lines), encoding="utf-8")
    toml = session / "session.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace('"../rig"', '"own.toml"'), encoding="utf-8")
    rig = load_result(session).rig
    assert rig.names == tuple(c.name for c in example_cameras())
    assert all("no covariance given" in flag for flag in rig.flags)


def test_a_result_has_the_cameras_that_were_used_and_no_other(tmp_path: Path) -> None:
    session = save_example(tmp_path)
    whole = load_result(session)
    used = whole.tracks.cameras[:2]
    names = [c.camera for c in used]
    clocks = tuple(c for c in whole.clocks.clocks if c.camera in names)
    store.save_tracks(session / "derived" / "tracks.nc", Tracks2D(whole.tracks.keypoints, used, "two of three"))
    store.save_clocks(session / "derived" / "clocks.json", Clocks(whole.clocks.reference, clocks))
    result = load_result(session)
    assert list(result.rig.names) == names
    assert result.rig.covariance.shape == (2 * N_CAMERA, 2 * N_CAMERA)


def _measured(folder: Path, **inputs: str) -> None:
    path = folder / "derived" / "provenance.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"inputs": inputs}))


def _told(session: Path, lines: str) -> None:
    with (session / "session.toml").open("a", encoding="utf-8") as out:
        out.write(lines)


@pytest.mark.parametrize("label", ['type = "kick"', "effort_percent = 70", 'landed = "out"'])
def test_a_label_written_after_measuring_changes_no_result(tmp_path: Path, label: str) -> None:
    session = save_example(tmp_path)
    _measured(session, session=load_session(session).file.measured_by())
    _told(session, f"\n# written on the evening after\n[serve]\n{label}\n")
    assert load_result(session).session.file.serve != load_session(save_example(tmp_path / "b")).file.serve


@pytest.mark.parametrize("label", ['side = "advantage"', 'ball = "red"', "racket_length_m = 0.63"])
def test_what_a_serve_is_measured_by_must_stay(tmp_path: Path, label: str) -> None:
    session = save_example(tmp_path)
    _measured(session, session=load_session(session).file.measured_by())
    _told(session, f"\n[serve]\n{label}\n")
    with pytest.raises(BadInput, match=r"session\.toml: changed since the serve was measured"):
        load_result(session)


def test_clicks_newer_than_the_result_are_told(tmp_path: Path) -> None:
    session = save_example(tmp_path)
    _measured(session)
    assert load_result(session).quality == ()
    (session / "racket_points.csv").write_text("camera,frame,point,u_px,v_px\n", encoding="utf-8")
    (said,) = load_result(session).quality
    assert said.startswith("racket_points.csv changed since the serve was measured")
