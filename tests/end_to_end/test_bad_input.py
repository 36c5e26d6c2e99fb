"""Each mistake gets one clear error, exit code 2, and leaves nothing half written."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration import save_rig
from recon.cli import app
from recon.records import KEYPOINTS
from tests.end_to_end.conftest import command
from tests.support.example_rig import example_rig
from tests.support.world import InventedMotion, three_cameras

pytestmark = pytest.mark.timeout(300)

RIG = example_rig(three_cameras())
CAMERAS = RIG.names


def video(path: Path, frames: int = 40, fps: float = 30.0) -> None:
    """A video of a grey scene without anybody in it."""
    size = RIG.cameras[0].size_px
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), fps, size)
    noise = np.random.default_rng(5)
    for _ in range(frames):
        writer.write(noise.integers(90, 110, (size[1], size[0], 3), dtype=np.uint8))
    writer.release()


def session(folder: Path, extra: str = "", cameras: tuple[str, ...] = CAMERAS) -> Path:
    save_rig(folder / "rig.json", RIG)
    lines = "\n".join(f'{name} = "{name}.mp4"' for name in cameras)
    text = f'rig = "rig.json"\nhandedness = "right"\n{extra}\n[video]\n{lines}\n'
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def assert_refused(folder: Path, *said: str) -> None:
    """Exit code 2, one message with all that is wanted in it, and no result that looks whole."""
    done = command("measure", folder)
    assert done.returncode == 2, done.stderr
    lines = [line for line in done.stderr.splitlines() if line.startswith("courtplumb:")]
    assert len(lines) == 1, done.stderr
    assert "Traceback" not in done.stderr
    for words in said:
        assert words in done.stderr, done.stderr
    derived = folder / "derived"
    assert not (derived / "provenance.json").exists()
    assert not (derived / "measures.json").exists()
    assert not list(derived.rglob("*.part")) if derived.exists() else True


def keypoints(folder: Path, motions: dict[str, InventedMotion]) -> None:
    rows = ["camera,time_s,keypoint,u_px,v_px,sigma_px"]
    for camera in RIG.cameras:
        t = np.arange(0, 3.0, 1 / 60)
        uv = camera.project(motions[camera.name].at(t))
        for k, time_s in enumerate(t):
            rows += [
                f"{camera.name},{time_s:.6f},{name},{uv[k, p, 0]:.3f},{uv[k, p, 1]:.3f},1.0"
                for p, name in enumerate(KEYPOINTS)
                if np.isfinite(uv[k, p]).all()
            ]
    (folder / "points.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def test_a_missing_video(tmp_path):
    assert_refused(session(tmp_path), f"{CAMERAS[0]}.mp4", "no such file")


def test_an_unreadable_video(tmp_path):
    for name in CAMERAS:
        (tmp_path / f"{name}.mp4").write_bytes(b"this is no video" * 200)
    assert_refused(session(tmp_path), f"{CAMERAS[0]}.mp4")


def test_a_camera_missing_from_the_rig(tmp_path):
    assert_refused(session(tmp_path, cameras=(CAMERAS[0], "front_row")), "front_row", "not in the rig")


def test_a_camera_listed_twice(tmp_path):
    assert_refused(session(tmp_path, extra=f'cameras = ["{CAMERAS[0]}", "{CAMERAS[0]}"]'), "each camera once")


def test_one_camera_is_not_enough(tmp_path):
    assert_refused(session(tmp_path, cameras=CAMERAS[:1]), "two or more cameras", "check-footage")


def test_nobody_in_the_picture(tmp_path):
    for name in CAMERAS:
        video(tmp_path / f"{name}.mp4")
    assert_refused(session(tmp_path), "no person found", CAMERAS[0])


def test_keypoints_with_an_unknown_name(tmp_path):
    folder = session(tmp_path, extra='keypoints = "points.csv"')
    (folder / "points.csv").write_text(
        "camera,time_s,keypoint,u_px,v_px,sigma_px\n" + f"{CAMERAS[0]},0.0,left_hipp,1,2,3\n"
    )
    assert_refused(folder, "row 2", "left_hipp")


def test_keypoints_with_a_nan(tmp_path):
    folder = session(tmp_path, extra='keypoints = "points.csv"')
    (folder / "points.csv").write_text(
        "camera,time_s,keypoint,u_px,v_px,sigma_px\n" + f"{CAMERAS[0]},0.0,left_hip,nan,2,3\n"
    )
    assert_refused(folder, "row 2", "u_px")


def test_a_clip_that_is_too_long(tmp_path):
    for name in CAMERAS:
        video(tmp_path / f"{name}.mp4", frames=65, fps=1.0)
    assert_refused(session(tmp_path), "at most 20 s", f"{CAMERAS[0]}.mp4", "[video_rate]")


def test_clips_of_different_serves(tmp_path):
    folder = session(tmp_path, extra='keypoints = "points.csv"')
    keypoints(folder, {name: InventedMotion(11 + k) for k, name in enumerate(CAMERAS)})
    assert_refused(folder, "no time offset stands out", "same serve")


def test_a_rig_that_is_not_in_the_court(tmp_path):
    folder = session(tmp_path)
    text = (folder / "rig.json").read_text(encoding="utf-8").replace('"court"', '"rig"', 1)
    (folder / "rig.json").write_text(text, encoding="utf-8")
    done = command("measure", folder)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_every_command_explains_itself():
    for name in ("assets", "lens", "rig", "court", "measure", "show", "report", "export", "demo"):
        assert any((c.name or c.callback.__name__) == name for c in app.registered_commands)
    assert command("--help").returncode == 0


def test_show_and_report_before_measuring(tmp_path):
    folder = session(tmp_path)
    for name in ("report", "export", "show"):
        done = command(name, folder)
        assert done.returncode == 2
        assert "courtplumb measure" in done.stderr
