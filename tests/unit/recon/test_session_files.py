"""What a person writes: session.toml and own keypoints, with one clear error for each mistake."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration import BadInput
from recon.keypoints import read_own_keypoints
from recon.records import KEYPOINTS
from recon.session import load_session
from tests.support.world import three_cameras

CAMERAS = three_cameras()
GOOD = 'rig = "../rig"\nhandedness = "right"\n[video]\nrear_left = "a.mp4"\nside = "b.mp4"\n'


def session(folder: Path, text: str) -> Path:
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_good_session_is_read(tmp_path):
    s = load_session(session(tmp_path, GOOD))
    assert s.camera_names == ("rear_left", "side")
    assert s.video_path("side").name == "b.mp4"


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", "rig"),
        (GOOD.replace('"right"', '"both"'), "handedness"),
        (GOOD.replace('"right"', '"right"\nheight_m = 18.0'), "height_m"),
        (GOOD.replace('"right"', '"right"\nheigth_m = 1.8'), "heigth_m"),
        (GOOD + 'side = "c.mp4"\n', "TOML"),
        ('cameras = ["side", "side"]\n' + GOOD, "each camera once"),
        ('cameras = ["side", "front"]\n' + GOOD, "no video for camera 'front'"),
    ],
)
def test_each_mistake_has_one_clear_error(tmp_path, text, wanted):
    with pytest.raises(BadInput, match=wanted) as caught:
        load_session(session(tmp_path, text))
    assert "session.toml" in str(caught.value)
    assert "\n" not in str(caught.value).strip() or "TOML" in wanted


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("side = [3.0, 2.0]", "its end after its start"),
        ("side = [-1.0, 2.0]", "window.side"),
        ("front = [1.0, 2.0]", "no video for camera 'front'"),
    ],
)
def test_a_window_names_a_stretch_of_a_video(tmp_path, line, wanted):
    s = load_session(session(tmp_path, GOOD + "[window]\nside = [12.5, 17.0]\n"))
    assert s.window_s("side") == (12.5, 17.0) and s.window_s("rear_left") is None
    with pytest.raises(BadInput, match=wanted):
        load_session(session(tmp_path, f"{GOOD}[window]\n{line}\n"))


def test_no_session_file(tmp_path):
    with pytest.raises(BadInput, match=r"session\.toml"):
        load_session(tmp_path)


HEAD = "camera,time_s,keypoint,u_px,v_px,sigma_px\n"
ROWS = "".join(f"{c.name},{t},left_hip,{600 + t},{300},2\n" for c in CAMERAS for t in (0.0, 0.01, 0.02))


def table(folder: Path, text: str) -> Path:
    path = folder / "points.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_own_keypoints_are_read(tmp_path):
    tracks = read_own_keypoints(table(tmp_path, HEAD + ROWS), CAMERAS)
    hip = tracks.index("left_hip")
    np.testing.assert_allclose(tracks.of("side").uv_px[:, hip, 0], [600, 600.01, 600.02])
    assert np.isnan(tracks.of("side").uv_px[:, hip + 1]).all()


def test_head_edges_are_read_where_they_are_told_and_not_missed_where_they_are_not(tmp_path):
    """The session's other points keep their places: a file without edges has no column for them."""
    plain = read_own_keypoints(table(tmp_path, HEAD + ROWS), CAMERAS)
    assert plain.keypoints == KEYPOINTS
    edged = read_own_keypoints(table(tmp_path, HEAD + ROWS + "side,0.01,racket_edge_2,5,6,1\n"), CAMERAS)
    assert edged.keypoints == (*KEYPOINTS, "racket_edge_1", "racket_edge_2")
    assert edged.of("side").uv_px[1, -1].tolist() == [5.0, 6.0]
    assert np.isnan(edged.of("side").sigma_px[:, -2]).all()


def test_rows_in_reversed_order_are_the_same_tracks(tmp_path):
    reversed_rows = "\n".join(reversed(ROWS.strip().split("\n"))) + "\n"
    want = read_own_keypoints(table(tmp_path, HEAD + ROWS), CAMERAS)
    got = read_own_keypoints(table(tmp_path, HEAD + reversed_rows), CAMERAS)
    for a, b in zip(want.cameras, got.cameras, strict=True):
        np.testing.assert_array_equal(a.t_cam_s, b.t_cam_s)
        np.testing.assert_array_equal(a.uv_px, b.uv_px)


def test_cameras_left_out_of_the_session_are_passed_over(tmp_path):
    path = table(tmp_path, HEAD + ROWS)
    tracks = read_own_keypoints(path, CAMERAS[:2], unused=["side"])
    assert [c.camera for c in tracks.cameras] == ["rear_left", "rear_right"]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (HEAD.replace(",sigma_px", "") + "", "sigma_px missing"),
        (HEAD + ROWS + "front,0,left_hip,1,2,1\n", "row 11: unknown camera 'front'"),
        (HEAD + ROWS + "side,0.5,left_hipp,1,2,1\n", "row 11: unknown keypoint 'left_hipp'"),
        (HEAD + ROWS + "side,0.5,left_hip,nan,2,1\n", "row 11: u_px"),
        (HEAD + ROWS + "side,0.5,left_hip,1,2,\n", "row 11: sigma_px"),
        (HEAD + ROWS + "side,0.5,left_hip,1,2,0\n", "row 11: sigma_px: want > 0"),
        (HEAD + ROWS + "side,0.02,left_hip,1,2,1\n", "row 11.*earlier row"),
        (HEAD + ROWS + "side,0.02001,right_hip,1,2,1\n", "camera side: want one time_s.*0.02 and 0.02001"),
        (
            HEAD + ROWS.replace("side", "rear_left").split("rear_left,0.0,left_hip,600.0,300,2\n")[1],
            "no row for camera",
        ),
        ("", "CSV"),
    ],
)
def test_each_wrong_row_is_named(tmp_path, text, wanted):
    with pytest.raises(BadInput, match=wanted):
        read_own_keypoints(table(tmp_path, text), CAMERAS)


def test_missing_file(tmp_path):
    with pytest.raises(BadInput, match="no such"):
        read_own_keypoints(tmp_path / "none.csv", CAMERAS)
