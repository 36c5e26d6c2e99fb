"""Whom to follow, asked of invented looks in place of the detector's."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.footage import Video
from calibration.recorded_rate import TimedVideo
from recon.pipeline import whom
from recon.pipeline.crew import Known
from recon.pipeline.whom import whom_to_follow
from recon.session import Session, SessionFile
from tests.support.invented_people import Somebody, stands, walks
from tests.support.played_crew import PlayedCrew, clips_of
from tests.support.world import three_cameras

CAMERAS = three_cameras()
SERVER = Somebody(stands(0.5, -0.2), 1.8, hand_up_s=(1.0, 2.0))
AT_THE_LINE = Somebody(stands(-1.6, -0.4), 1.75)
FAR = Somebody(stands(2.5, 6.0), 1.9)
STARTS = {"rear_left": 0.0, "rear_right": 0.25, "side": -0.25}


def session_of(folder: Path, server: dict[str, tuple[float, float]] | None = None) -> Session:
    video = {c.name: f"{c.name}.mp4" for c in CAMERAS}
    return Session(folder, SessionFile(rig="rig", handedness="right", video=video, server=server or {}))


@pytest.fixture(autouse=True)
def stamps_are_true(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(whom, "timed", lambda session, camera: TimedVideo(Video(Path(camera))))


def asked(
    folder: Path, people: list[Somebody], server: dict[str, tuple[float, float]] | None = None, **more: bool
) -> tuple[dict[str, Known], str, PlayedCrew]:
    clips, crew = clips_of(CAMERAS), PlayedCrew(people, STARTS)
    keys = {c.name: "key" for c in CAMERAS}
    known, said = whom_to_follow(session_of(folder, server), clips, keys, crew, **more)  # type: ignore[arg-type]
    return known, said, crew


def box(camera_name: str, somebody: Somebody, t: float) -> Array:
    camera = next(c for c in CAMERAS if c.name == camera_name)
    uv = camera.project(somebody.body_m(t))
    return (uv.min(axis=0) + uv.max(axis=0)) / 2


def test_one_look_a_clip_is_enough_where_the_server_is_alone(tmp_path: Path) -> None:
    known, said, crew = asked(tmp_path, [SERVER])
    assert crew.asked == [None] * 3 and said == ""
    assert all(k.before is not None and k.course is None for k in known.values())


def test_and_where_others_are_far_from_the_line_in_every_view(tmp_path: Path) -> None:
    """The second player is in two of the views; only one person is where servers stand."""
    people = [SERVER, FAR]
    known, _, crew = asked(tmp_path, people)
    assert set(crew.asked) == {None}
    for name, own in known.items():
        assert own.before is not None
        assert np.linalg.norm(own.before.uv_px.mean(axis=0) - box(name, SERVER, 0.0)) < 40


def test_clips_are_looked_through_where_somebody_else_is_near_the_line(tmp_path: Path) -> None:
    known, said, crew = asked(tmp_path, [AT_THE_LINE, SERVER])
    assert crew.asked == [None] * 3 + [0.25] * 3
    assert "2 people in view" in said and "raises a hand" in said
    for name, own in known.items():
        assert own.course is not None
        for t in (0.4, 1.6, 2.5):
            window = own.course.expected(t)
            assert window is not None
            rig = t + STARTS[name]
            off = np.array([window.u_px, window.v_px]) - box(name, SERVER, rig)
            assert np.linalg.norm(off) < 0.3 * np.ptp(
                next(c for c in CAMERAS if c.name == name).project(SERVER.body_m(0.0))[:, 1]
            )


def test_a_pixel_of_one_camera_leads_all(tmp_path: Path) -> None:
    u, v = box("side", AT_THE_LINE, STARTS["side"])
    known, said, crew = asked(tmp_path, [SERVER, AT_THE_LINE], {"side": (float(u), float(v))})
    assert None not in crew.asked and "named by a pixel in side" in said
    for name, own in known.items():
        window = own.course.expected(1.0)
        off = {
            who: np.linalg.norm([window.u_px, window.v_px] - box(name, who, 1.0))
            for who in (SERVER, AT_THE_LINE)
        }
        assert off[AT_THE_LINE] < off[SERVER] and off[AT_THE_LINE] < 60


def test_two_who_stand_still_at_the_line_are_asked_about(tmp_path: Path) -> None:
    with pytest.raises(NotMeasurable, match=r"two people stand .* \[server\] \w+ = \[\d+, \d+\]"):
        asked(tmp_path, [Somebody(stands(0.5, -0.2)), AT_THE_LINE])


def test_somebody_who_comes_by_later_is_told_from_the_server(tmp_path: Path) -> None:
    """What the first frame does not show: asked again with every look."""
    passing = Somebody(walks((-9.0, -1.0), (6.0, -1.2), 3.0), 1.7)
    known, said, crew = asked(tmp_path, [passing, SERVER], at_once=False)
    assert None not in crew.asked and "2 people" in said
    assert all(own.course is not None for own in known.values())


def test_looks_are_kept(tmp_path: Path) -> None:
    first, _, _ = asked(tmp_path, [AT_THE_LINE, SERVER])
    again, _, crew = asked(tmp_path, [])
    assert crew.asked == []
    for name in first:
        np.testing.assert_array_equal(first[name].course.boxes_px, again[name].course.boxes_px)


def test_nobody_in_view_is_left_to_the_search(tmp_path: Path) -> None:
    known, said, _ = asked(tmp_path, [])
    assert said == "" and all(
        k == SimpleNamespace or (k.before, k.course) == (None, None) for k in known.values()
    )


def test_a_pixel_of_a_camera_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"\[server\]: no camera 'front'"):
        asked(tmp_path, [SERVER], {"front": (1.0, 2.0)})
