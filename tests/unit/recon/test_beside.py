"""What the main process does while others read the clips: when it is asked, and what a refusal stops."""

from __future__ import annotations

from concurrent.futures import Future
from pathlib import Path

import pytest

from calibration.errors import BadInput
from recon.pipeline import detect
from recon.pipeline.options import PipelineOptions, silent


class _AtOnce:
    """In the pool's place: every job is done when it is handed in."""

    def __init__(self, *_: object, **__: object) -> None: ...

    def __enter__(self) -> _AtOnce:
        return self

    def __exit__(self, *_: object) -> None: ...

    def submit(self, work: object, *arguments: object) -> Future[object]:
        done: Future[object] = Future()
        done.set_result(work(*arguments))  # type: ignore[operator]
        return done

    def shutdown(self, **_: object) -> None: ...


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What happened, in order; four pieces of one clip are read by two processes."""
    events: list[str] = []
    monkeypatch.setattr(detect, "ProcessPoolExecutor", _AtOnce)
    monkeypatch.setattr(detect, "_begin", lambda _clip: events.append("begun"))
    monkeypatch.setattr(detect, "_read", lambda _clip, _begun, _piece: events.append("read"))
    monkeypatch.setattr(detect, "_save", lambda _path, _tracks: events.append("kept"))
    return events


def _read(beside: detect.Beside, pieces: int = 4) -> None:
    todo = [detect._Piece("side", k, float(k), None, Path(f"{k}.npz")) for k in range(pieces)]
    detect._run({"side": object()}, todo, PipelineOptions(workers=2), silent, beside)  # type: ignore[dict-item]


@pytest.mark.parametrize("pieces", [1, 2, 4])
def test_asked_first_after_the_start_and_last_once_a_process_is_free(told: list[str], pieces: int) -> None:
    _read(detect.Beside(lambda: told.append("first"), lambda: told.append("last")), pieces)
    assert told.index("begun") < told.index("first") < told.index("read")
    assert told.count("last") == 1
    assert told[: told.index("last")].count("kept") == max(1, pieces - 1)


def test_a_refusal_ends_the_reading(told: list[str]) -> None:
    def refuse() -> None:
        raise BadInput("the footage does not fit")

    with pytest.raises(BadInput, match="does not fit"):
        _read(detect.Beside(refuse))
    assert "read" not in told
