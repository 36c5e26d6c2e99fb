"""Following footage that is still being written. Invented pictures; little of the waiting is real."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BadInput
from calibration.folder import read_rig_folder
from calibration.guide import GuideSession, Patience, arrivals, follow, sources_of
from calibration.guide.live import want_local
from calibration.guide.mp4_boxes import Mp4State, mp4_state
from tests.support.board_pictures import write_video
from tests.support.board_tour import facing, shifted, shot, tour_camera, write_growing
from tests.support.rig_toml import rig_toml

SHADES = [np.full((64, 96), 4 * k, np.uint8) for k in range(40)]
RIG = rig_toml({"west": 'lens_footage = "lens/west.ts"'})


class Told:
    """A clock that only sleeping moves, and what happens meanwhile."""

    def __init__(self) -> None:
        self.now_s, self.slept, self.notes = 0.0, 0, list[str]()
        self.on_sleep = lambda count: None

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        self.slept += 1
        self.on_sleep(self.slept)

    def patience(self, idle_s: float = 3.0) -> Patience:
        return Patience(lambda: self.now_s, self.sleep, idle_s, lambda: False, self.notes.append)


@pytest.mark.parametrize(("form", "ending"), [("mpegts", "ts"), ("mp4", "mp4"), ("matroska", "mkv")])
def test_a_file_that_is_being_written_is_followed_to_its_end(tmp_path: Path, form: str, ending: str) -> None:
    path = tmp_path / f"grows.{ending}"
    writer = threading.Thread(target=write_growing, args=(path, SHADES), kwargs={"form": form, "pause_s": 0.02})
    writer.start()
    seen = list(follow(path, Patience(idle_s=1.0)))
    writer.join()
    assert [round(a.t_s, 3) for a in seen] == [round(0.1 * k, 3) for k in range(40)]
    assert any(a.live for a in seen)
    assert seen[20].picture().mean() == pytest.approx(80, abs=4)


@pytest.mark.parametrize(("form", "ending"), [("mpegts", "ts"), ("mp4", "mp4")])
def test_bytes_that_come_in_pieces_split_no_picture(tmp_path: Path, form: str, ending: str) -> None:
    """The file is cut anywhere, and grows only while the reader waits: half-written packets at every turn."""
    write_growing(tmp_path / "whole", SHADES, form=form)
    whole = (tmp_path / "whole").read_bytes()
    path, told = tmp_path / f"grows.{ending}", Told()
    size = len(whole) // 23

    def grow(count: int) -> None:
        with path.open("ab") as out:
            out.write(whole[(count - 1) * size : count * size])

    told.on_sleep = grow
    assert len(list(follow(path, told.patience()))) == 40


def test_a_recording_that_breaks_off_ends_without_a_fault(tmp_path: Path) -> None:
    path, told = tmp_path / "cut.ts", Told()
    write_growing(path, SHADES, form="mpegts")
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    assert 20 < len(list(follow(path, told.patience()))) < 40
    assert told.now_s == pytest.approx(3.0, abs=0.3)


def test_a_plain_mp4_without_its_index_says_what_to_set(tmp_path: Path) -> None:
    write_video(tmp_path / "whole.mp4", SHADES, 10)
    whole, path, told = (tmp_path / "whole.mp4").read_bytes(), tmp_path / "cut.mp4", Told()
    path.write_bytes(whole[: len(whole) // 2])
    assert mp4_state(path) is Mp4State.NO_INDEX
    with pytest.raises(BadInput, match="MPEG-TS"):
        list(follow(path, told.patience()))
    assert "fragmented MP4" in told.notes[0]


def test_a_plain_mp4_is_read_once_its_recording_ends(tmp_path: Path) -> None:
    write_video(tmp_path / "whole.mp4", SHADES, 10)
    whole, path, told = (tmp_path / "whole.mp4").read_bytes(), tmp_path / "grows.mp4", Told()
    path.write_bytes(whole[: len(whole) // 2])
    told.on_sleep = lambda count: path.write_bytes(whole) if count == 5 else None
    seen = list(follow(path, told.patience()))
    assert len(seen) == 40 and not any(a.live for a in seen)
    assert mp4_state(path) is Mp4State.INDEX_LAST


def test_a_folder_that_fills_is_followed(tmp_path: Path) -> None:
    import cv2

    told = Told()
    told.on_sleep = lambda n: cv2.imwrite(str(tmp_path / f"{n}.png"), SHADES[n]) if n < 4 else None
    assert [a.name for a in follow(tmp_path, told.patience())] == ["1", "2", "3"]


def test_what_is_no_video_is_said_to_be_none(tmp_path: Path) -> None:
    (tmp_path / "x.ts").write_bytes(b"no video at all" * 50)
    with pytest.raises(BadInput, match="not a readable video"):
        list(follow(tmp_path / "x.ts", Told().patience()))


@pytest.mark.parametrize("address", ["rtsp://example.org/x", "udp://8.8.8.8:5000", "http:///x"])
def test_addresses_outside_the_local_network_are_refused(address: str) -> None:
    with pytest.raises(BadInput, match="local network"):
        list(arrivals(address, Told().patience()))
    want_local("rtsp://192.168.0.20:554/stream")


def test_the_session_judges_footage_while_it_grows(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG, "utf-8")
    (tmp_path / "lens").mkdir()
    rng, camera = np.random.default_rng(1), tour_camera()
    places = [facing(0.0, 0.0, 2.0), shifted(facing(0.0, 0.0, 2.0), np.array([-0.3, 0.1, 0.9]))]
    pictures = [p for place in places for p in 12 * [shot(camera, place, rng)]]
    folder = read_rig_folder(tmp_path)
    sources = sources_of(folder, None, {})
    session = GuideSession(folder, sources, Patience(idle_s=1.0))
    path = tmp_path / "lens" / "west.ts"
    late = threading.Timer(0.3, write_growing, (path, pictures), {"form": "mpegts", "pause_s": 0.05})
    late.start()
    session.run()
    late.join()
    standing = session.standing(session.watches[0])
    assert standing is not None and standing.views in (1, 2)  # a loaded machine may skip the second
    assert not session.enough() and "want at least 8" in standing.why
    assert sources[0].picture_path(tmp_path).read_bytes().startswith(b"\x89PNG")
    assert session.live_jpeg(0) is not None


def test_sources_name_cameras_of_the_rig(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG, "utf-8")
    folder = read_rig_folder(tmp_path)
    assert sources_of(folder, None, {"west": "/dev/video0"})[0].where == "/dev/video0"
    with pytest.raises(BadInput, match="no camera 'north'"):
        sources_of(folder, None, {"north": "x.ts"})
