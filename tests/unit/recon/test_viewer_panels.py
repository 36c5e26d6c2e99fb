"""What stands around the 3D scene, worked out on small records and on the invented example."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from recon.records import EVENT_NAMES, Event, Events, Motion, PointStatus
from recon.result import Result, load_result
from recon.scene import PictureStrokes
from recon.viewer import panels
from tests.support.example_result import save_example


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return load_result(save_example(tmp_path_factory.mktemp("example")))


def motion(t0: float, t1: float, n: int = 11) -> Motion:
    xyz = np.zeros((n, 1, 3))
    cov = np.broadcast_to(np.eye(3) * 1e-4, (n, 1, 3, 3))
    return Motion("court", ("nose",), np.linspace(t0, t1, n), xyz, xyz, cov, np.full((n, 1), PointStatus.OK))


def events(**times: float) -> Events:
    rows = [Event(n, times[n], 0.01) if n in times else Event(n, None, None, f"no {n}") for n in EVENT_NAMES]
    return Events(tuple(rows))


def test_marks_stand_at_their_share_of_the_clip_and_know_their_sample() -> None:
    (start, contact) = panels.event_marks(events(start=2.0, contact=2.9), motion(2.0, 3.0))
    assert (start["share"], start["sample"], start["lane"]) == (0.0, 0, 0)
    assert (contact["share"], contact["sample"], contact["label"]) == (0.9, 9, "contact")


def test_the_timeline_leaves_out_long_rest_before_and_after() -> None:
    long = motion(0.0, 10.0, 101)
    e = events(start=2.0, contact=3.0)
    assert panels.stretch(e, long) == (15, 35)
    assert [m["share"] for m in panels.event_marks(e, long)] == [0.25, 0.75]
    assert panels.stretch(events(), long) == (0, 100)


def test_names_that_would_touch_stand_in_other_lanes() -> None:
    marks = panels.event_marks(
        events(trophy=2.50, deepest_bend=2.52, push_off=2.55, contact=2.95), motion(2.0, 3.0)
    )
    assert [m["lane"] for m in marks] == [0, 1, 2, 0]


def test_an_event_outside_the_clip_has_no_mark_and_an_absent_one_a_reason() -> None:
    e = events(contact=9.0)
    assert panels.event_marks(e, motion(2.0, 3.0)) == []
    reasons = {row["label"]: row["reason"] for row in panels.absent_events(e)}
    assert "contact" not in reasons
    assert reasons["trophy position"] == "no trophy"


@pytest.mark.parametrize(
    ("t_s", "text"),
    [
        (1.0, "0.250 s before contact"),
        (1.3, "0.050 s after contact"),
        (1.252, "at contact"),
        (1.246, "at contact"),
    ],
)
def test_time_is_also_told_from_contact(t_s: float, text: str) -> None:
    assert panels.time_beside_contact(t_s, events(contact=1.25), 1 / 120) == text


def test_without_contact_nothing_is_told_from_it() -> None:
    assert panels.time_beside_contact(1.0, events(), 1 / 120) == ""


def test_every_measure_is_listed_once(result: Result) -> None:
    groups = panels.measure_groups(result)
    names = [row["name"] for g in groups for row in g["rows"]]
    assert sorted(names) == sorted(m.name for m in result.measures.measures)
    assert all(g["rows"] for g in groups)
    assert "More" not in [g["heading"] for g in groups]  # all measures of today have a heading of their own


def test_an_absent_measure_has_nowhere_to_jump_to(result: Result) -> None:
    rows = {row["name"]: row for g in panels.measure_groups(result) for row in g["rows"]}
    absent = [m for m in result.measures.measures if m.value is None]
    assert absent
    for m in absent:
        assert (rows[m.name]["present"], rows[m.name]["sample"]) == (False, -1)


def test_the_close_up_holds_the_player_from_first_to_last(result: Result) -> None:
    for camera in result.rig.cameras:
        left, top, width, height = panels.near_player_box(result, camera.name)
        assert width / height == pytest.approx(4 / 3, abs=0.01)
        uv = camera.project(result.motion.xyz_m[:, :-1]).reshape(-1, 2)  # all but the ball
        uv = uv[np.isfinite(uv).all(axis=1)]
        uv = uv[((uv > 0) & (uv < np.array(camera.size_px))).all(axis=1)]
        assert (uv >= [left - 0.1, top - 0.1]).all()
        assert (uv <= [left + width + 0.1, top + height + 0.1]).all()
        assert max(np.ptp(uv, axis=0) / [width, height]) > 0.7  # and is close


def test_without_pictures_the_skeleton_stands_alone(result: Result) -> None:
    row = panels.picture_row(result, "side", None, 1.0, "pictures_side")
    assert row["href"] == ""
    assert row["overlay"].count('class="hitting_arm"') == 1


def test_strokes_become_paths_in_video_pixels() -> None:
    stroke = PictureStrokes("racket", np.array([[[1.0, 2.0], [3.25, 4.0]]]), "#123456", 6.0)
    nothing = PictureStrokes("trunk", np.zeros((0, 2, 2)), "#000000", 6.0)
    text = panels.strokes_svg((stroke, nothing))
    assert 'd="M1.0 2.0L3.2 4.0"' in text
    assert 'stroke="#123456"' in text
    assert "trunk" not in text


def test_every_event_name_has_room(tmp_path: Path) -> None:
    times = dict(zip(EVENT_NAMES, np.linspace(2.0, 3.0, len(EVENT_NAMES)), strict=True))
    marks = panels.event_marks(events(**times), motion(2.0, 3.0))
    by_lane: dict[int, list[tuple[float, float]]] = {}
    for m in marks:
        half = 0.5 * 0.011 * (len(m["label"]) + 2)
        by_lane.setdefault(m["lane"], []).append((m["share"] - half, m["share"] + half))
    for spans in by_lane.values():
        assert all(a[1] <= b[0] for a, b in pairwise(spans))
