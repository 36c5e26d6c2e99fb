"""A whole session of own keypoints whose tip is hidden for a while and whose head edges are told as pairs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from calibration import Camera, save_rig
from recon.export import export_tables
from recon.pipeline import measure_session
from recon.records import EDGES, KEYPOINTS, SOUGHT, PointStatus
from recon.result import Result, load_result
from tests.support.example_motion import EVENT_TIMES_S, invented_motion
from tests.support.example_rig import example_rig
from tests.support.world import three_cameras

CAMERAS = three_cameras()
HIDDEN_S = (EVENT_TIMES_S["trophy"] + 0.08, EVENT_TIMES_S["trophy"] + 0.15)


def rows_of(camera: Camera, t: np.ndarray, xyz: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    uv = camera.project(xyz) + rng.normal(0, 1.0, (*xyz.shape[:2], 2))
    hidden = (t >= HIDDEN_S[0]) & (t <= HIDDEN_S[1])
    uv[hidden, SOUGHT.index("racket_tip")] = np.nan
    seen = np.isfinite(uv).all(axis=2) & (uv > 0).all(axis=2) & (uv < np.array(camera.size_px) - 1).all(axis=2)
    k, p = np.nonzero(seen)
    return pd.DataFrame(
        {"camera": camera.name, "time_s": t[k].round(6), "keypoint": np.array(SOUGHT)[p],
         "u_px": uv[k, p, 0], "v_px": uv[k, p, 1], "sigma_px": 1.0}
    )  # fmt: skip


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("racket") / "session"
    folder.mkdir()
    save_rig(folder / "rig.json", example_rig(CAMERAS))
    rng = np.random.default_rng(8)
    t, xyz, _, _ = invented_motion("right")
    tip, butt = (xyz[:, KEYPOINTS.index(f"racket_{n}")] for n in ("tip", "butt"))
    way = (tip - butt) / np.linalg.norm(tip - butt, axis=1, keepdims=True)
    across = np.cross(way, [0.3, 0.5, 0.8])
    across *= 0.125 / np.linalg.norm(across, axis=1, keepdims=True)
    middle = butt + 0.5 * way
    whole = np.concatenate([xyz, np.stack([middle + across, middle - across], axis=1)], axis=1)
    table = pd.concat([rows_of(camera, t, whole, rng) for camera in CAMERAS])
    table.to_csv(folder / "points.csv", index=False)
    (folder / "session.toml").write_text(
        'rig = "rig.json"\nhandedness = "right"\nkeypoints = "points.csv"\n[serve]\nracket_length_m = 0.70\n'
    )
    measure_session(folder)
    return load_result(folder)


def test_the_hidden_tip_is_inferred_and_told_so(measured: Result) -> None:
    motion = measured.motion
    inside = (motion.t_s > HIDDEN_S[0] + 0.02) & (motion.t_s < HIDDEN_S[1] - 0.02)
    assert inside.sum() > 2
    tip = motion.index("racket_tip")
    assert (motion.status[inside, tip] == PointStatus.INFERRED).all()
    t, xyz, _, _ = invented_motion("right")
    true = np.stack(
        [np.interp(motion.t_s, t, xyz[:, KEYPOINTS.index("racket_tip"), d]) for d in range(3)], axis=1
    )
    assert np.linalg.norm((motion.xyz_m[:, tip] - true)[inside], axis=1).max() < 0.03
    assert any("racket tip" in line and "inferred" in line for line in measured.racket_told)


def test_edges_and_pose_are_kept_and_exported(measured: Result) -> None:
    assert set(EDGES) <= set(measured.motion.keypoints)
    racket = measured.racket
    assert racket is not None
    assert np.isfinite(racket.normal).all(axis=1).mean() > 0.9
    assert np.nanmedian(racket.u_roll_rad) < np.radians(5)
    points = pd.read_csv(export_tables(measured)[0])
    assert {"inferred", "ok"} <= set(points.status)
    assert set(EDGES) <= set(points.keypoint)


def test_a_result_of_before_rackets_were_kept_still_opens(measured: Result) -> None:
    folder = Path(measured.session.folder)
    (folder / "derived" / "racket.nc").unlink()
    assert load_result(folder).racket is None
