"""The footage reader: times, turns, order, and one clear error for each kind of bad file."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from calibration.errors import BadInput
from calibration.footage import first_side, frames, picture, probe
from tests.support.board_pictures import write_video


def numbered(count: int, width: int = 64, height: int = 48) -> list[np.ndarray]:
    """Pictures whose brightness tells their number; a white square marks the top left corner."""
    pictures = []
    for i in range(count):
        p = np.full((height, width), 20 + 4 * i, np.uint8)
        p[:12, :12] = 255
        pictures.append(p)
    return pictures


def number_of(image: np.ndarray) -> int:
    return round((float(np.median(image)) - 20) / 4)


def test_frames_come_in_order_with_their_times(tmp_path: Path) -> None:
    write_video(tmp_path / "a.mp4", numbered(30), fps=120)
    got = list(frames(tmp_path / "a.mp4"))
    assert [f.index for f in got] == list(range(30))
    np.testing.assert_allclose([f.t_s for f in got], np.arange(30) / 120, atol=1e-4)
    assert [number_of(f.image_bgr) for f in got] == list(range(30))
    assert got[0].image_bgr.shape == (48, 64, 3) and got[0].image_bgr.dtype == np.uint8


def test_a_stretch_keeps_the_file_s_own_indices_and_times(tmp_path: Path) -> None:
    write_video(tmp_path / "a.mp4", numbered(50), fps=50)
    got = list(frames(tmp_path / "a.mp4", start_s=0.3, stop_s=0.5))
    assert [f.index for f in got] == list(range(15, 25))
    assert [number_of(f.image_bgr) for f in got] == list(range(15, 25))
    assert list(frames(tmp_path / "a.mp4", start_s=9.0)) == []


def test_every_keeps_multiples(tmp_path: Path) -> None:
    write_video(tmp_path / "a.mp4", numbered(20), fps=50)
    assert [f.index for f in frames(tmp_path / "a.mp4", every=7)] == [0, 7, 14]
    with pytest.raises(BadInput, match="every"):
        frames(tmp_path / "a.mp4", every=0)


@pytest.mark.parametrize(("turn", "white_at"), [(90, "bottom left"), (-90, "top right"), (180, "bottom right")])
def test_rotation_tag_is_applied(tmp_path: Path, turn: int, white_at: str) -> None:
    write_video(tmp_path / "a.mp4", numbered(2), fps=30, turn_degrees=turn)  # anticlockwise, as shown
    image = next(frames(tmp_path / "a.mp4")).image_bgr
    wanted = (48, 64) if turn == 180 else (64, 48)
    assert image.shape[:2] == wanted and probe(tmp_path / "a.mp4").size_px == wanted[::-1]
    corners = {"top left": image[4, 4], "top right": image[4, -5], "bottom left": image[-5, 4],
               "bottom right": image[-5, -5]}  # fmt: skip
    assert max(corners, key=lambda c: float(corners[c].mean())) == white_at


@pytest.mark.parametrize(("turn", "side"), [(0, "top"), (90, "left"), (-90, "right"), (180, "bottom")])
def test_the_first_stored_row_is_found_in_the_upright_picture(tmp_path: Path, turn: int, side: str) -> None:
    first_row_white = np.zeros((48, 64), np.uint8)
    first_row_white[:8] = 255
    write_video(tmp_path / "a.mp4", [first_row_white] * 2, fps=30, turn_degrees=turn)
    assert first_side(tmp_path / "a.mp4") == side
    image = next(frames(tmp_path / "a.mp4")).image_bgr
    edges = {"top": image[:4], "bottom": image[-4:], "left": image[:, :4], "right": image[:, -4:]}
    assert max(edges, key=lambda e: float(edges[e].mean())) == side


def test_variable_frame_rate_keeps_real_times(tmp_path: Path) -> None:
    stamps = [0, 10, 35, 36, 80]
    with av.open(str(tmp_path / "a.mkv"), mode="w") as out:
        stream = out.add_stream("libx264", rate=1000)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for stamp, p in zip(stamps, numbered(5), strict=True):
            frame = av.VideoFrame.from_ndarray(p, format="gray")
            frame.pts = 500 + stamp
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    np.testing.assert_allclose([f.t_s for f in frames(tmp_path / "a.mkv")], np.array(stamps) / 1000, atol=1e-9)


def test_probe_tells_length_and_rate(tmp_path: Path) -> None:
    write_video(tmp_path / "a.mp4", numbered(24), fps=60)
    info = probe(tmp_path / "a.mp4")
    assert info.is_video and info.size_px == (64, 48) and info.frame_count_hint == 24
    assert info.nominal_fps == pytest.approx(60) and info.duration_s == pytest.approx(0.4, abs=0.02)


def test_a_folder_of_pictures_is_footage(tmp_path: Path) -> None:
    for name, p in zip(("b.png", "a.jpg", "c.png"), numbered(3), strict=True):
        cv2.imwrite(str(tmp_path / name), p)
    (tmp_path / "notes.txt").write_text("not a picture")
    got = list(frames(tmp_path))
    assert [f.name for f in got] == ["a", "b", "c"] and [f.t_s for f in got] == [0.0, 1.0, 2.0]
    assert probe(tmp_path).frame_count_hint == 3 and not probe(tmp_path).is_video
    assert number_of(picture(tmp_path / "c.png")) == 2


def test_pictures_of_two_sizes_are_refused(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "a.png"), np.zeros((10, 10, 3), np.uint8))
    cv2.imwrite(str(tmp_path / "b.png"), np.zeros((10, 12, 3), np.uint8))
    with pytest.raises(BadInput, match=r"b\.png: want 10x10 px .* got 12x10"):
        list(frames(tmp_path))


def whole_video(folder: Path) -> bytes:
    write_video(folder / "whole.mp4", numbered(40), fps=30)
    return (folder / "whole.mp4").read_bytes()


@pytest.mark.parametrize(
    ("content", "wanted"),
    [(None, "no such file"), (b"", "empty"), (b"this is no video" * 50, "not a readable video")],
)
def test_bad_files_get_one_clear_error(tmp_path: Path, content: bytes | None, wanted: str) -> None:
    path = tmp_path / "a.mp4"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(BadInput, match=rf"a\.mp4: .*{wanted}"):
        list(frames(path))
    with pytest.raises(BadInput, match=r"a\.mp4"):
        probe(path)


def test_a_video_cut_off_before_its_index_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    path.write_bytes(whole_video(tmp_path)[:600])
    with pytest.raises(BadInput, match=r"a\.mp4: "):
        list(frames(path))


def test_sound_without_pictures_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    with av.open(str(path), mode="w") as out:
        stream = out.add_stream("aac", rate=8000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate = 8000
        for packet in [*stream.encode(frame), *stream.encode()]:
            out.mux(packet)
    with pytest.raises(BadInput, match="holds no video"):
        list(frames(path))


def test_empty_folder_and_broken_picture(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="found none"):
        list(frames(tmp_path))
    (tmp_path / "a.png").write_bytes(b"no picture")
    with pytest.raises(BadInput, match=r"a\.png: not a readable picture"):
        picture(tmp_path / "a.png")
    with pytest.raises(BadInput, match="no such file"):
        picture(tmp_path / "b.png")
