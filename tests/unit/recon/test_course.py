"""Following along a course told beforehand, and looking at single frames again, with a fake reader."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from calibration.checks import Array
from calibration.errors import BadInput
from recon.keypoints import (
    ClipTracks,
    Course,
    MarkerOptions,
    Wanted,
    follow,
    look_again,
    look_around,
    mode_of,
    window_of_box,
    with_rows,
    without_bodies,
)
from recon.keypoints.pose import Image, Pose, Window
from recon.keypoints.server import ServerPlace, hips_px
from recon.records import BODY
from tests.support.world import three_cameras
from tests.unit.recon.test_follow import EVERY_FRAME, FakeReader, hips
from tests.unit.recon.test_server import standing

WIDTH, HEIGHT = three_cameras()[0].size_px
MARKS = MarkerOptions(hues_deg=(300.0, 180.0, 120.0, 60.0), tolerance_deg=15.0)
AGAIN, AROUND = sys.modules[look_again.__module__], sys.modules[look_around.__module__]
FOLLOW = sys.modules[follow.__module__]


class Counting(FakeReader):
    """The fake reader, and how often it looked."""

    def __init__(self, people: list[list[Pose]]) -> None:
        self.people, self.looks = people, 0

    def read(
        self, image: Image, window: Window, *, mirrored: bool = False, onward: bool = False
    ) -> Pose | None:
        self.looks += 1
        return super().read(image, window, mirrored=mirrored, onward=onward)


def played(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    """Pictures that say which they are, in place of a video's; 120 a second."""

    def frames(
        _video: object, start_s: float | None = None, stop_s: float | None = None, *, every: int = 1
    ) -> Iterator[SimpleNamespace]:
        for k in range(0, count, every):
            t = k / 120
            if (start_s is None or t >= start_s) and (stop_s is None or t < stop_s):
                picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
                picture[0, 0] = k
                yield SimpleNamespace(t_s=t, image_bgr=picture)

    for module in (FOLLOW, AGAIN, AROUND):
        monkeypatch.setattr(module, "frames", frames)
    monkeypatch.setattr(AROUND, "probe", lambda _: SimpleNamespace(nominal_fps=120.0))


def course_of(people: list[list[Pose]], rows: list[int]) -> Course:
    """One person's course, of looks at some of the frames."""
    boxes = []
    for k in rows:
        low, high = people[k][0].uv_px.min(axis=0), people[k][0].uv_px.max(axis=0)
        boxes.append([*(low + high) / 2, float((high - low).max())])
    return Course(np.array(rows) / 120, np.array(boxes))


@pytest.mark.parametrize("back", range(75, 86, 2))
def test_a_server_who_comes_back_far_from_where_he_was_lost_is_found_at_once(
    monkeypatch: pytest.MonkeyPatch, back: int
) -> None:
    """Half a second out of sight, more than a body height on, and another player as near to where he was."""
    count = 110
    server = [standing(-1.0 if k < 20 else 1.4, -0.2) for k in range(count)]
    other = standing(-3.6, -0.4)
    people = [[s, other] if k < 20 or k >= back else [other] for k, s in enumerate(server)]
    gone = np.linalg.norm(hips_px(server[back].uv_px) - hips_px(server[19].uv_px))
    assert gone > np.ptp(server[back].uv_px[:, 1])
    played(monkeypatch, count)
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    course = course_of(people, [0, 15, back, back + 15])
    place = ServerPlace(three_cameras()[0])
    found = hips(follow(Path("c"), Counting(people), picture, MARKS, EVERY_FRAME, place, course=course))  # type: ignore[arg-type]
    true = np.array([hips_px(s.uv_px) for s in server])
    seen = ~np.isnan(found[:, 0])
    assert seen[:20].all() and seen[back:].all() and not seen[25:60].any()
    assert np.allclose(found[seen], true[seen])


def test_on_a_course_two_people_at_the_line_are_no_question(monkeypatch: pytest.MonkeyPatch) -> None:
    people = [[standing(0.5, -0.2), standing(-1.6, -0.4)]] * 30
    played(monkeypatch, 30)
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    for which in (0, 1):
        turned = [[p[which], p[1 - which]] for p in people]
        place, course = ServerPlace(three_cameras()[0]), course_of(turned, [0, 20])
        clip = follow(Path("c"), Counting(turned), picture, MARKS, EVERY_FRAME, place, course=course)  # type: ignore[arg-type]
        assert np.allclose(hips(clip), hips_px(people[0][which].uv_px))


def test_a_course_tells_nothing_long_before_or_after_its_looks() -> None:
    course = Course(np.array([1.0, 1.5]), np.array([[100.0, 200.0, 62.0], [200.0, 200.0, 124.0]]))
    middle = course.expected(1.25)
    assert middle == window_of_box(150.0, 200.0, 93.0) and middle.side_px == pytest.approx(150)
    assert course.expected(0.6) is None and course.expected(1.9) is None
    with pytest.raises(BadInput, match="increasing"):
        Course(np.array([1.0, 1.0]), np.ones((2, 3)))


def test_a_second_look_looks_once_at_each_wanted_frame(monkeypatch: pytest.MonkeyPatch) -> None:
    people = [[standing(0.5, -0.2), standing(-1.6, -0.4)]] * 60
    played(monkeypatch, 60)
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    window = course_of(people, [0]).expected(0.0)
    assert window is not None
    wanted = tuple(Wanted(k / 120, window) for k in (3, 4, 40))
    reader = Counting(people)
    quick = mode_of("quick")
    clip = look_again(Path("c"), reader, picture, MARKS, quick, wanted)  # type: ignore[arg-type]
    assert np.allclose(clip.t_cam_s, [w.t_cam_s for w in wanted]) and reader.looks == 3
    assert len(quick.first) + len(quick.more) + len(quick.first) <= 2  # both looks together, of a frame
    assert np.allclose(hips(clip), hips_px(people[0][0].uv_px))


def clip_of(people: list[Pose | None]) -> ClipTracks:
    rows = [np.full((len(BODY), 2), np.nan) if p is None else p.uv_px for p in people]
    uv = np.concatenate([np.array(rows), np.full((len(people), 4, 2), np.nan)], axis=1)
    nothing = np.full((len(people), 4), np.nan)
    return ClipTracks(
        np.arange(len(people)) / 120,
        uv,
        np.ones(uv.shape[:2])[:, : len(BODY)],
        nothing,
        nothing[:, :1] + np.zeros(len(BODY)),
    )


def test_only_taken_rows_change_and_bodies_can_be_left_out() -> None:
    one, two = standing(0.5, -0.2), standing(-1.6, -0.4)
    clip = clip_of([one] * 6)
    again = ClipTracks(np.array([2, 4]) / 120, *(getattr(clip_of([two] * 2), f) for f in
                       ("uv_px", "visibility", "marker_sigma_px", "spread_px")))  # fmt: skip
    mended = with_rows(clip, again, np.array([False, True]))
    where = np.array([np.allclose(uv, two.uv_px) for uv in mended.uv_px[:, : len(BODY)]])
    assert list(np.flatnonzero(where)) == [4] and np.allclose(clip.uv_px[4, : len(BODY)], one.uv_px)
    gone = without_bodies(mended, np.arange(6) == 1)
    absent: Array = np.isnan(gone.uv_px[:, : len(BODY)]).all(axis=(1, 2))
    assert list(np.flatnonzero(absent)) == [1] and np.isnan(gone.visibility[1]).all()


def test_looking_around_finds_everybody_once_and_who_comes_later(monkeypatch: pytest.MonkeyPatch) -> None:
    server, later = standing(0.5, -0.2), standing(-1.6, -0.4)
    people = [[server] if k < 40 else [server, later] for k in range(240)]
    played(monkeypatch, 240)
    looks = look_around(Counting(people), Path("c"), 0.25)  # type: ignore[arg-type]
    assert np.allclose([t for t, _ in looks], np.arange(0, 2, 0.25))
    counts = [len(found) for _, found in looks]
    assert counts[0] == 1 and counts[-1] == 2 and counts == sorted(counts)
    only = look_around(Counting(people), Path("c"), None)  # type: ignore[arg-type]
    assert len(only) == 1 and only[0][0] == 0.0
    with pytest.raises(BadInput, match="step"):
        look_around(Counting(people), Path("c"), 0.0)  # type: ignore[arg-type]
