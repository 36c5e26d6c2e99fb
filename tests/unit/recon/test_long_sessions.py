"""A long session of own keypoints is cut into sessions of one serve each; every serve is the right one."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from calibration.errors import BadInput, NotMeasurable
from recon.cli import app
from recon.keypoints import glimpse_own_keypoints, own_file, read_own_keypoints
from recon.pipeline import cut_serves, measure_kept_tracks, measure_session, serves
from recon.records import KEYPOINTS
from recon.session import load_session
from recon.sync import Clip, ClipOffset, estimate_clocks, match_clips
from recon.windows import NEEDED
from tests.support.recorded_keypoints import write_recording
from tests.support.serve_series import ServeSeries
from tests.support.world import three_cameras

CAMERAS = three_cameras()[:2]
SERIES = ServeSeries((6.0, 15.3, 27.1, 35.8), vary=0.3)
SPANS_S = {"rear_left": (0.0, 40.0), "rear_right": (10.4, 41.5)}


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_recording(tmp_path_factory.mktemp("long"), CAMERAS, SERIES, SPANS_S)


@pytest.fixture
def long(recorded: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(recorded, tmp_path / "long"))


def test_every_serve_that_two_cameras_filmed_becomes_a_session_of_its_own(long: Path) -> None:
    stale = long / "derived" / "serves" / "17"
    stale.mkdir(parents=True)
    found = cut_serves(long).serves
    assert [s.contact_s for s in found] == pytest.approx(SERIES.contacts_s[1:], abs=0.2)
    assert not stale.exists()
    whole = pd.read_csv(long / "points.csv")
    for serve in found:
        session = load_session(serve.folder)
        assert session.rig_path == (long / "rig.json").resolve()
        assert session.file.athlete == 'Über "A"' and session.camera_names == tuple(SPANS_S)
        rows = pd.read_csv(serve.folder / "keypoints.csv")
        for camera, (low, high) in serve.spans_s.items():
            want = whole[(whole.camera == camera) & (whole.time_s >= low) & (whole.time_s < high)]
            got = rows[rows.camera == camera]
            pd.testing.assert_frame_equal(got.reset_index(drop=True), want.reset_index(drop=True))
    clocks = estimate_clocks(CAMERAS, read_own_keypoints(found[1].folder / "keypoints.csv", CAMERAS))
    assert clocks.of("rear_right").offset_s == pytest.approx(10.4, abs=0.003)


def test_what_is_told_of_the_clocks_goes_with_every_serve(long: Path) -> None:
    with (long / "session.toml").open("a", encoding="utf-8") as out:
        out.write(
            "[shutter]\nrear_right = {readout_ms = 8.0, u_ms = 0.4}\nfront = {readout_ms = 2.0}\n"
            "[clock]\nrear_right = {offset_s = 10.4, u_ms = 2.0}\n"
            '[sound.camera]\nrear_left = {file = "left.wav", skew_ms = 3.0}\n'
        )
    (long / "left.wav").write_bytes(b"")
    for serve in cut_serves(long).serves:
        session = load_session(serve.folder)
        told = session.file.shutter
        assert set(told) == {"rear_right"}  # of cameras that filmed it
        assert (told["rear_right"].readout_ms, told["rear_right"].u_ms) == (8.0, 0.4)
        assert session.file.clock["rear_right"].offset_s == 10.4
        assert session.file.sound is not None
        own = session.file.sound.camera["rear_left"]
        assert own.skew_ms == 3.0 and (session.folder / str(own.file)).samefile(long / "left.wav")


def test_a_swing_without_a_ball_is_told_and_not_cut(tmp_path: Path) -> None:
    series = ServeSeries((6.0, 15.3, 27.1, 35.8), vary=0.3, swings=(2,))
    cut = cut_serves(write_recording(tmp_path, CAMERAS, series, SPANS_S | {"rear_right": (2.4, 41.5)}))
    assert [s.contact_s for s in cut.serves] == pytest.approx([6.0, 15.3, 35.8], abs=0.2)
    assert all(s.ball for s in cut.serves) and [s.number for s in cut.serves] == [1, 2, 3]
    assert cut.swings_s == pytest.approx([27.1], abs=0.2) and "without a ball" in cut.notes()[0]


def test_a_camera_whose_serves_cannot_be_told_is_left_out_and_named(tmp_path: Path) -> None:
    """Its file is of another practice: what the others say stands."""
    spans = {c.name: (0.0, 40.0) for c in three_cameras()}
    write_recording(tmp_path, three_cameras(), SERIES, spans)
    (tmp_path / "other").mkdir()
    other = ServeSeries((4.1, 13.0, 20.7, 33.2), vary=0.3, seed=9)
    write_recording(tmp_path / "other", three_cameras(), other, spans)
    right, wrong = (pd.read_csv(p / "points.csv") for p in (tmp_path, tmp_path / "other"))
    mixed = pd.concat([right[right.camera != "side"], wrong[wrong.camera == "side"]])
    mixed.to_csv(tmp_path / "points.csv", index=False)
    cut = cut_serves(tmp_path)
    assert cut.untold == ("side",) and "camera side: cannot tell" in cut.notes()[0]
    assert [s.contact_s for s in cut.serves] == pytest.approx(SERIES.contacts_s, abs=0.2)
    assert all(set(s.spans_s) == {"rear_left", "rear_right"} for s in cut.serves)


def test_where_no_ball_is_ever_seen_nothing_is_called_a_swing(long: Path) -> None:
    table = pd.read_csv(long / "points.csv")
    table[table.keypoint != "ball"].to_csv(long / "points.csv", index=False)
    cut = cut_serves(long)
    assert len(cut.serves) == 3 and cut.swings_s == ()
    assert all(s.ball is None for s in cut.serves) and "cannot be told" in cut.notes()[0]


def test_the_command_lists_the_serves_it_cut(long: Path) -> None:
    done = CliRunner().invoke(app, ["serves", str(long), "--cut-only"])
    assert done.exit_code == 0, done.output
    assert len(list((long / "derived" / "serves").iterdir())) == 3


def test_measuring_the_whole_is_refused_and_says_how_to_cut_it(long: Path) -> None:
    with pytest.raises(BadInput, match=r"want one serve .*got 40 s.*courtplumb serves"):
        measure_session(long)


def test_nothing_is_measured_again_where_no_run_kept_tracks(long: Path) -> None:
    with pytest.raises(BadInput, match=r"want tracks of an earlier run.*courtplumb measure"):
        measure_kept_tracks(long)


def test_pieces_of_any_size_and_rows_of_any_order_give_the_same_looks(
    long: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, names = long / "points.csv", [c.name for c in CAMERAS]
    want = glimpse_own_keypoints(path, names, [], NEEDED, 12.0)
    table = pd.read_csv(path)
    part = table[table.time_s < 4.0]
    part.to_csv(long / "ordered.csv", index=False)
    part.sample(frac=1, random_state=1).to_csv(long / "mixed.csv", index=False)
    monkeypatch.setattr(own_file, "_ROWS_AT_ONCE", 997)
    for file in ("ordered.csv", "mixed.csv"):
        got = glimpse_own_keypoints(long / file, names, [], NEEDED, 12.0)
        for name in names:
            count = len(got[name].t_s)
            assert count == 48
            np.testing.assert_array_equal(got[name].t_s, want[name].t_s[:count])
            np.testing.assert_array_equal(got[name].uv_px, want[name].uv_px[:count])
    a, b = (read_own_keypoints(long / f, CAMERAS) for f in ("ordered.csv", "mixed.csv"))
    np.testing.assert_array_equal(a.of("rear_left").uv_px, b.of("rear_left").uv_px)
    np.testing.assert_array_equal(a.of("rear_left").t_cam_s, b.of("rear_left").t_cam_s)


def test_a_wrong_row_of_a_later_piece_is_named_by_its_line(long: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(own_file, "_ROWS_AT_ONCE", 500)
    lines = (long / "points.csv").read_text(encoding="utf-8").splitlines()[:2000]
    lines[1500] = lines[1500].replace("rear_left", "front")
    (long / "points.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(BadInput, match="row 1501: unknown camera 'front'"):
        cut_serves(long)


def test_a_session_without_serves_says_so(long: Path) -> None:
    table = pd.read_csv(long / "points.csv")
    table[table.time_s < 3.0].to_csv(long / "points.csv", index=False)
    with pytest.raises(NotMeasurable, match="no serve was found"):
        cut_serves(long)


def test_all_points_are_cut_that_the_file_has(long: Path) -> None:
    serve = cut_serves(long).serves[0]
    tracks = read_own_keypoints(serve.folder / "keypoints.csv", CAMERAS)
    for name in ("left_hip", "racket_tip", "ball"):
        assert not np.isnan(tracks.of("rear_left").sigma_px[:, KEYPOINTS.index(name)]).all(), name


def test_the_first_serves_tell_and_where_they_do_not_all_are_asked(
    long: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    want = [s.contact_s for s in cut_serves(long).serves]
    asked: list[int] = []

    def counted(clips: Sequence[Clip]) -> tuple[ClipOffset, ...]:
        asked.append(max(len(c.moments_s) for c in clips))
        return match_clips(clips)

    monkeypatch.setattr(serves, "match_clips", counted)
    monkeypatch.setattr(serves, "_ENOUGH_SERVES", 2)
    assert [s.contact_s for s in cut_serves(long).serves] == want
    assert asked == [2, 4]
