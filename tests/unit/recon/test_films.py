"""Long films are looked through in pieces that go on from one another, are kept, and are put together again.

What a piece shows is INVENTED: readers stand in for the processes with the pose model.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pytest

from calibration import save_rig
from calibration.errors import BadInput
from calibration.geometry import Rigid
from recon.keypoints import Looks, ServerPlace, Span, Window
from recon.pipeline import glimpses
from recon.pipeline.glimpses import Films
from recon.pipeline.long_sources import Filmed, Part
from recon.pipeline.options import silent
from recon.session import load_session
from recon.windows import NEEDED, WindowOptions
from tests.support.board_pictures import make_camera, write_video
from tests.support.example_rig import example_rig

CAMERAS = tuple(
    make_camera(name, (96, 48), 80.0, Rigid.aimed(name, np.array([x, -7.0, 2.5]), (0.0, 0.0, 1.5)))
    for name, x in (("left", -3.0), ("right", 3.0))
)
HZ = 4.0


class InThisProcess:
    """A pool whose work is done as it is handed in; after `patience` pieces somebody presses Ctrl-C."""

    def __init__(self, patience: float) -> None:
        self.patience = patience
        self.begun: list[tuple[str, Span, Looks | None, ServerPlace]] = []

    def __call__(self, _count: int) -> InThisProcess:
        return self

    def __enter__(self) -> InThisProcess:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """As an executor's."""

    def submit(self, _work: Callable[..., Any], film: Any, span_s: Span, left: Looks | None) -> Future[Looks]:
        if self.patience <= 0:
            raise KeyboardInterrupt
        self.patience -= 1
        self.begun.append((film.camera.name, span_s, left, film.place))
        t = np.arange(np.ceil(span_s[0] * HZ), span_s[1] * HZ) / HZ
        at = np.stack([100 * t, t], axis=1)[:, None] + np.zeros((1, len(NEEDED), 1))
        done: Future[Looks] = Future()
        done.set_result(Looks(t, at, Window(t[-1], 0.0, 64.0), np.array([100 * t[-1], t[-1]])))
        return done


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A session of two films of 4 s, the server told in one of them; pieces of a second."""
    for camera in CAMERAS:
        write_video(tmp_path / f"{camera.name}.mp4", [np.full((48, 96), 90, np.uint8)] * 60, 15)
    save_rig(tmp_path / "rig.json", example_rig(CAMERAS))
    (tmp_path / "session.toml").write_text(
        'rig = "rig.json"\nhandedness = "right"\n[video]\nleft = "left.mp4"\nright = "right.mp4"\n'
        "[server]\nright = [3.0, 4.0]\n",
        encoding="utf-8",
    )
    (tmp_path / "model").write_bytes(b"a stand-in")
    monkeypatch.setattr(glimpses, "pose_model", lambda _size: tmp_path / "model")
    monkeypatch.setattr(glimpses, "_PIECE_S", 1.0)
    return tmp_path


def films(folder: Path, pool: InThisProcess, monkeypatch: pytest.MonkeyPatch) -> Films:
    monkeypatch.setattr(glimpses, "Crew", pool)
    return Films(load_session(folder), CAMERAS, 2, silent)


def test_pieces_go_on_from_one_another_and_are_put_together(folder, monkeypatch) -> None:
    pool = InThisProcess(np.inf)
    seen = films(folder, pool, monkeypatch).glimpses()
    for camera in CAMERAS:
        own = [(span, left) for name, span, left, _ in pool.begun if name == camera.name]
        assert len(own) == 4 and own[0][1] is None
        for (before, _), (span, left) in pairwise(own):
            assert span[0] < before[1] - 0.9 or span[0] == 0  # what goes on at the edge is seen by both
            assert left is not None and left.window is not None and left.window.u_px < before[1]
        assert seen[camera.name].span_s == (0.0, pytest.approx(4.0))
        np.testing.assert_allclose(seen[camera.name].t_s, np.arange(16) / HZ)
        np.testing.assert_allclose(seen[camera.name].uv_px[:, 0, 0], 100 * seen[camera.name].t_s)


def test_a_run_that_was_broken_off_goes_on_where_it_was(folder, monkeypatch) -> None:
    first = InThisProcess(5)
    with pytest.raises(KeyboardInterrupt):
        films(folder, first, monkeypatch).glimpses()
    then = InThisProcess(np.inf)
    seen = films(folder, then, monkeypatch).glimpses()
    # a piece is kept once the next is begun; of what was kept nothing is read again
    assert 3 <= len(then.begun) <= 8 - 3 and then.begun[0][2] is not None
    assert all(len(s.t_s) == 16 for s in seen.values())
    nothing = InThisProcess(0)
    films(folder, nothing, monkeypatch).glimpses()


def test_a_named_server_is_followed_into_every_serve(folder, monkeypatch) -> None:
    found = films(folder, InThisProcess(np.inf), monkeypatch)
    found.glimpses()
    assert found.server_px("left", 2.0) is None  # nobody named him there
    np.testing.assert_allclose(found.server_px("right", 2.1), [200.0, 2.0])
    source = Filmed(load_session(folder), example_rig(CAMERAS), 1, silent)
    source.look(WindowOptions())
    told = source.told(Part(folder, {"left": (-0.5, 2.0), "right": (1.5, 4.0)}))
    assert told == {"window": {"left": [0.0, 2.0], "right": [1.5, 4.0]}, "server": {"right": [150.0, 1.5]}}


def test_a_film_of_another_size_than_calibrated_is_refused(folder, monkeypatch) -> None:
    write_video(folder / "left.mp4", [np.full((96, 96), 90, np.uint8)] * 20, 15)
    with pytest.raises(BadInput, match="want 96x48 pixels as calibrated, got 96x96"):
        films(folder, InThisProcess(0), monkeypatch)
