"""From pixels: a rig from videos in which the board never stands still and the cameras start apart."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from calibration.folder import read_rig_folder
from calibration.steps import run_rig
from tests.support.board_pictures import write_video
from tests.support.carried_board import carried
from tests.unit.calibration.test_steps import BOARD, RIG_TOML, TRUE, lens_pictures, picture

STARTS_S = {"left": 0.0, "right": 1.217}
STOP_S, FPS = 6.2, 30


def test_a_rig_from_a_board_that_is_always_carried(tmp_path: Path) -> None:
    rng = np.random.default_rng(21)
    (tmp_path / "rig.toml").write_text(RIG_TOML)
    way = carried(STOP_S, rng, BOARD, (-0.4, 0.0, 0.5), (0.4, 1.0, 1.1), turn_rad=0.3)
    for name, cam in TRUE.items():
        times = np.arange(STARTS_S[name], STOP_S, 1 / FPS)
        shared = (picture(cam, way.pose(float(t)), rng) for t in times)
        write_video(tmp_path / "lens" / f"{name}.mp4", lens_pictures(cam, rng), fps=6)
        write_video(tmp_path / "shared" / f"{name}.mp4", shared, fps=FPS)
    rig = run_rig(tmp_path)
    assert read_rig_folder(tmp_path).rig_path.exists()
    assert any("views are of a moving board" in flag for flag in rig.flags)
    assert rig.board_views >= 6 and max(rig.camera_rms_px) < 0.3
    estimated = rig.camera("right").cam_from_world @ rig.camera("left").cam_from_world.inverse()
    true = TRUE["right"].cam_from_world @ TRUE["left"].cam_from_world.inverse()
    assert np.linalg.norm(estimated.inverse().t_m - true.inverse().t_m) < 0.04
    cosine = (np.trace(estimated.R @ true.R.T) - 1) / 2
    assert np.degrees(np.arccos(min(cosine, 1.0))) < 0.5
