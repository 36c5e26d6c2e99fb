"""Files: same seed same bytes, real time stamps, user files that read back, nothing half written."""

from __future__ import annotations

import copy
import csv
import json
import tomllib

import av
import numpy as np
import pytest
import xarray as xr

from calibration.court.model import COURT_POINTS_M
from calibration.errors import BadInput
from demo_rigs import comparison
from demo_rigs.description import academy_from, load_academy
from demo_rigs.effects import Sensor
from demo_rigs.footage import clip, finished
from demo_rigs.serve_footage import film_serve, frame_times
from demo_rigs.session import render_session
from demo_rigs.truth import write_cameras, write_truth
from demo_rigs.user_files import clicks, rig_toml, session_toml, write_rig_files
from recon.definitions import DEFINITIONS


def small(academy, **changes):
    """The academy with a quarter-size picture and a few quick boards."""
    raw = copy.deepcopy(dict(academy.raw))
    raw["picture"]["size_px"] = [320, 180]
    raw["picture"]["board_fps"] = 6
    for c in raw["camera"]:
        c["focal_px"] = [f / 4 for f in c["focal_px"]]
        c["centre_px"] = [x / 4 for x in c["centre_px"]]
    raw["shared"] = [{**raw["shared"][0], "poses": 2}]
    raw.update(changes)
    return academy_from(raw)


def test_same_seed_same_bytes(academy, wheel, tmp_path):
    raw = copy.deepcopy(dict(small(academy).raw))
    raw["serve"][0]["starts_s"]["side"] = 2.02
    raw["serve"][0]["ends_s"]["side"] = 2.09
    a = academy_from(raw)
    raw = {**raw, "seed": raw["seed"] + 1}
    other = academy_from(raw)
    backdrop = np.full((180, 320, 3), 0.4)
    made = []
    for k, which in enumerate((a, a, other)):
        path = tmp_path / f"{k}.mp4"
        film_serve(which, which.serve("clean_right"), "side", backdrop, wheel, path, lambda *_: None)
        made.append(path.read_bytes())
    assert made[0] == made[1]
    assert made[0] != made[2]


def test_time_stamps_are_frame_number_over_rate(tmp_path):
    path = tmp_path / "x.mp4"
    grey = np.full((96, 64), 90, np.uint8)
    with clip(path, (64, 64), 120, 18) as out:
        for _ in range(7):
            out.add(grey)
    with av.open(str(path)) as file:
        times = [float(f.pts * f.time_base) for f in file.decode(video=0)]
    assert np.allclose(times, np.arange(7) / 120, atol=1e-9)


def test_noise_has_the_stated_strength():
    sensor = Sensor(0.02, 0.8, seed=5)
    flat = np.full((240, 320, 3), 120, np.uint8)
    luma = np.stack([sensor.expose(flat)[:240] for _ in range(4)]).astype(float)
    level = luma.mean()
    assert luma.std() == pytest.approx(np.sqrt(0.02 * level + 0.8**2 + 1 / 12), rel=0.03)
    assert abs(np.corrcoef(luma[0].ravel(), luma[1].ravel())[0, 1]) < 0.02


def test_clips_cover_the_serve_with_rest_and_odd_starts(academy):
    for entry in academy.serves:
        starts = list(entry.starts_s.values())
        assert max(starts) <= 0.1 and min(entry.ends_s.values()) > 3.3  # >= 0.5 s of rest, settled after
        gaps = np.abs(np.subtract.outer(starts, starts))[np.triu_indices(3, 1)] * academy.picture.serve_fps
        assert np.all(np.abs(gaps - np.round(gaps)) > 0.05)  # not whole frames
        assert max(gaps) / academy.picture.serve_fps < 1.75
        lengths = {len(frame_times(academy, entry, c)) for c in academy.cameras}
        assert len(lengths) == 3


def test_rig_and_session_files_read_back(academy):
    rig = tomllib.loads(rig_toml(academy))
    assert [c["name"] for c in rig["camera"]] == list(academy.cameras)
    assert rig["board"] == {"columns": 9, "rows": 6, "square_mm": 100.0}
    seen = [set(s["footage"]) for s in rig["shared"]]
    assert set.union(*seen) == set(academy.cameras) and seen[0] & seen[1]  # all cameras get linked
    for entry in academy.serves:
        session = tomllib.loads(session_toml(academy, entry))
        assert session["handedness"] == entry.athlete.handedness
        assert set(session["video"]) == set(session["shutter"]) == set(academy.cameras)


def test_clicks_are_truth_plus_half_a_pixel(academy, tmp_path):
    write_rig_files(academy, tmp_path)
    with (tmp_path / "court_clicks.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    miss = []
    for name, camera in academy.cameras.items():
        mine = [r for r in rows if r["camera"] == name]
        assert len(mine) >= 6
        for r in mine:
            uv = np.array([float(r["u_px"]), float(r["v_px"])])
            assert np.all(uv > 0) and np.all(uv < np.array(camera.size_px) - 1)
            miss.append(uv - camera.project(np.array(COURT_POINTS_M[r["point"]])))
    assert 0.3 < np.std(miss) < 0.7
    assert clicks(academy) == clicks(load_academy())


def test_truth_files(academy, wheel, tmp_path):
    write_cameras(academy, tmp_path / "cameras.json")
    stored = json.loads((tmp_path / "cameras.json").read_text())
    offset = stored["clips"]["clean_right"]["side"]["offset_s"]
    assert frame_times(academy, academy.serve("clean_right"), "side")[0] == offset
    write_truth(academy, academy.serve("clean_right"), wheel, tmp_path / "t.nc")
    with xr.open_dataset(tmp_path / "t.nc", engine="h5netcdf") as data:
        assert data.xyz_m.dims == ("time", "keypoint", "space")
        assert 1 / np.diff(data.time.values).max() > 480
        assert data.sizes["keypoint"] == 31
        others = [k for k in data.keypoint.values if k != "ball"]
        assert np.isfinite(data.xyz_m.sel(keypoint=others)).all()


def test_an_interrupted_file_leaves_nothing(tmp_path):
    with pytest.raises(KeyboardInterrupt), finished(tmp_path / "a.txt") as draft:
        draft.write_text("half")
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_an_interrupted_rendering_is_continued_and_a_repeat_makes_nothing(academy, tmp_path):
    a = small(academy)

    def stop(what, share):
        if what.startswith("rig/lens"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        render_session(a, tmp_path, stop, serves=[], processes=1)
    assert not list(tmp_path.rglob("*.part*"))
    render_session(a, tmp_path, serves=[], processes=2)
    made = {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*.*") if p.is_file()}
    assert len([p for p in made if p.suffix == ".mp4"]) == 5
    shares = []
    render_session(a, tmp_path, lambda what, share: shares.append(share), serves=[], processes=1)
    assert shares == []
    assert made == {p: p.stat().st_mtime_ns for p in tmp_path.rglob("*.*") if p.is_file()}


def test_bad_descriptions_are_refused(academy, tmp_path):
    raw = copy.deepcopy(dict(academy.raw))
    del raw["board"]["rows"]
    with pytest.raises(BadInput, match="rows"):
        academy_from(raw)
    (tmp_path / "x.toml").write_text("name = ")
    with pytest.raises(BadInput, match=r"x\.toml"):
        load_academy(tmp_path / "x.toml")
    with pytest.raises(BadInput, match="no serve"):
        academy.serve("nobody")


def test_every_unit_of_a_measure_has_one_that_people_read() -> None:
    assert {d.unit for d in DEFINITIONS.values()} <= set(comparison._PEOPLE)
