"""What the main process does while others read the clips: when it is asked, and what a refusal stops."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path
from types import SimpleNamespace

import pytest

from calibration.errors import BadInput
from calibration.footage import Video
from recon.pipeline import detect
from recon.pipeline.crew import Known
from recon.pipeline.options import PipelineOptions, silent
from recon.session import Session, SessionFile
from tests.support.world import three_cameras

CAMERA = three_cameras()[2]


class _AtOnce:
    """In the crew's place: every job is done when it is handed in."""

    def __init__(self, _workers: int) -> None: ...

    def __enter__(self) -> _AtOnce:
        return self

    def __exit__(self, *_: object) -> None: ...

    def call(self) -> None: ...

    def submit(self, work: object, *arguments: object) -> Future[object]:
        done: Future[object] = Future()
        done.set_result(work(*arguments))  # type: ignore[operator]
        return done


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What happened, in order; the pieces of one clip are read by two processes."""
    events: list[str] = []

    def whom(*_: object, **__: object) -> tuple[dict[str, Known], str]:
        return {CAMERA.name: Known()}, ""

    monkeypatch.setattr(detect, "Crew", _AtOnce)
    monkeypatch.setattr(detect, "pose_model", lambda _name: Path("model"))
    monkeypatch.setattr(detect, "content_hash", lambda _path: "0123456789abcdef")
    monkeypatch.setattr(detect, "whom_to_follow", whom)
    monkeypatch.setattr(detect, "as_stamped", lambda _session, name: Video(Path(f"{name}.mp4")))
    monkeypatch.setattr(detect, "find_scene", lambda _clip: events.append("begun"))
    monkeypatch.setattr(detect, "read_piece", lambda *_: events.append("read"))
    monkeypatch.setattr(detect, "save_clip", lambda _path, _tracks: events.append("kept"))
    monkeypatch.setattr(detect, "load_clip", lambda _path: None)
    monkeypatch.setattr(detect, "_joined", lambda _parts: None)
    return events


def _read(folder: Path, monkeypatch: pytest.MonkeyPatch, beside: detect.Beside, pieces: int = 4) -> None:
    monkeypatch.setattr(detect, "probe", lambda _video: SimpleNamespace(duration_s=pieces * detect._PIECE_S))
    session = Session(folder, SessionFile(rig="rig", handedness="right", video={CAMERA.name: "side.mp4"}))
    detect.detect_tracks(session, [CAMERA], PipelineOptions(workers=2), silent, beside)


@pytest.mark.parametrize("pieces", [1, 2, 4])
def test_asked_first_before_anything_is_read_and_last_once_a_process_is_free(
    told: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pieces: int
) -> None:
    beside = detect.Beside(lambda: told.append("first"), lambda: told.append("last"))
    _read(tmp_path, monkeypatch, beside, pieces)
    assert told.index("first") < told.index("begun") < told.index("read")
    assert told.count("last") == 1
    assert told[: told.index("last")].count("kept") == max(1, pieces - 1)


def test_a_refusal_ends_the_reading(told: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> None:
        raise BadInput("the footage does not fit")

    with pytest.raises(BadInput, match="does not fit"):
        _read(tmp_path, monkeypatch, detect.Beside(refuse))
    assert not told
