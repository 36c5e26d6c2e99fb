"""Following the server through a clip, with a fake reader that sees people at known pixels."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from calibration.checks import Array
from calibration.errors import NotMeasurable
from recon.keypoints import ClipTracks, MarkerOptions, Seen, ServerPlace, follow
from recon.keypoints.passes import Look, Mode
from recon.keypoints.pose import Image, Pose, Window
from recon.keypoints.server import hips_px
from recon.records import BODY
from tests.support.world import three_cameras
from tests.unit.recon.test_server import standing

WIDTH, HEIGHT = three_cameras()[0].size_px
FRAMES = 40
EVERY_FRAME = Mode(name="every frame", first=(Look(),), onward=True)
LOST = range(15, 18)  # frames in which nobody is seen
MODULE = sys.modules[follow.__module__]  # the package names the function as its module


class FakeReader:
    """Sees the person whose hips are nearest to the middle of a window, as the model does, if any is in it."""

    people: list[list[Pose]]

    def forget(self) -> None:
        pass

    def read(
        self, image: Image, window: Window, *, mirrored: bool = False, onward: bool = False
    ) -> Pose | None:
        middle = np.array([window.u_px, window.v_px])
        off = [(float(np.abs(hips_px(p.uv_px) - middle).max()), p) for p in self.people[int(image[0, 0, 0])]]
        near = [(d, k) for k, (d, _) in enumerate(off) if d < window.side_px / 2]
        return off[min(near)[1]][1] if near else None


def followed(
    monkeypatch: pytest.MonkeyPatch, people: list[list[Pose]], at_px: Array | None, before: Seen | None = None
) -> ClipTracks:
    picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)

    def frames(*_: object, **__: object) -> Iterator[SimpleNamespace]:
        for k in range(len(people)):
            picture[0, 0] = k
            yield SimpleNamespace(t_s=k / 120, image_bgr=picture.copy())

    monkeypatch.setattr(MODULE, "frames", frames)
    monkeypatch.setattr(FakeReader, "people", people, raising=False)
    markers = MarkerOptions(hues_deg=(300.0, 180.0, 120.0, 60.0), tolerance_deg=15.0)
    place = ServerPlace(three_cameras()[0], at_px)
    reader = FakeReader()
    return follow(Path("clip"), reader, picture, markers, EVERY_FRAME, place, before=before)  # type: ignore[arg-type]


def hips(clip: ClipTracks) -> Array:
    return np.array([hips_px(uv) for uv in clip.uv_px[:, : len(BODY)]])


def two_people(lost: range = range(0)) -> tuple[list[list[Pose]], Array]:
    """The server walks 1.2 m to the side; the other, 1.4 m beside, keeps the same distance."""
    x = np.linspace(0.0, 1.2, FRAMES)
    frames = [[standing(0.2 + x[k], -0.2), standing(-1.2 + x[k], -0.2)] for k in range(FRAMES)]
    server = np.array([hips_px(f[0].uv_px) for f in frames])
    return [[] if k in lost else f for k, f in enumerate(frames)], server


def test_one_named_by_a_pixel_is_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    people, server = two_people()
    assert np.allclose(hips(followed(monkeypatch, people, server[0])), server)


def test_one_named_and_lost_is_found_where_last_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pixel names the server when the clip begins; by now the other may be nearer to it."""
    x = np.linspace(0.0, 2.0, FRAMES)
    people = [[standing(0.2 + x[k], -0.2), standing(-1.0, -0.2)] for k in range(FRAMES)]
    server = np.array([hips_px(f[0].uv_px) for f in people])
    named, later = server[0], server[LOST.stop]
    other = hips_px(people[LOST.stop][1].uv_px)
    assert np.linalg.norm(later - named) < np.linalg.norm(other - named)  # still the server's here …
    gone = [[] if LOST.start <= k < 30 else f for k, f in enumerate(people)]
    assert np.linalg.norm(server[31] - named) > np.linalg.norm(other - named)  # … and here the other's
    found = hips(followed(monkeypatch, gone, named))
    seen = ~np.isnan(found[:, 0])
    assert seen[: LOST.start].all() and seen[-1] and not seen[20]
    assert np.allclose(found[seen], server[seen])


def test_who_plays_on_behind_is_not_taken_for_one_named_and_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    """A player on the next court: within the server's window, but more than their own height away."""
    server, other = standing(0.2, -0.2), standing(9.3, 12.0)
    people = [[other] if k in LOST else [server, other] for k in range(FRAMES)]
    found = hips(followed(monkeypatch, people, hips_px(server.uv_px)))
    seen = ~np.isnan(found[:, 0])
    assert not seen[LOST].any() and seen[: LOST.start].all() and seen[-1]
    assert np.allclose(found[seen], hips_px(server.uv_px))


def test_empty_court_is_searched_once_in_a_while_only(monkeypatch: pytest.MonkeyPatch) -> None:
    reads = []
    monkeypatch.setattr(FakeReader, "read", lambda *_, **__: reads.append(1))
    clip = followed(monkeypatch, [[] for _ in range(FRAMES)], None)
    assert np.isnan(clip.uv_px[:, : len(BODY)]).all() and len(clip.t_cam_s) == FRAMES
    first = len(reads)
    followed(monkeypatch, [[]], None)
    assert first <= 5 * (len(reads) - first)  # at most one search in ten frames, and one to begin with


def test_player_cut_off_by_a_search_window_is_not_a_second_person(monkeypatch: pytest.MonkeyPatch) -> None:
    """A window that cuts the player off gives a crumpled body; looked at by itself it leads to the player."""
    server, crumpled = standing(0.2, -0.2), standing(-2.0, -0.3, tall_m=0.4)
    assert ServerPlace(three_cameras()[0]).away_m(crumpled) == 0  # as likely a server by its place

    class Cutting(FakeReader):
        def read(
            self, image: Image, window: Window, *, mirrored: bool = False, onward: bool = False
        ) -> Pose | None:
            middle = np.array([window.u_px, window.v_px])
            if np.abs(hips_px(crumpled.uv_px) - middle).max() < 20:
                return server
            off = float(np.abs(hips_px(server.uv_px) - middle).max()) / window.side_px
            return server if off < 0.3 else crumpled if off < 0.6 else None

    monkeypatch.setattr(sys.modules[__name__], "FakeReader", Cutting)
    clip = followed(monkeypatch, [[server]] * 5, None)
    assert np.allclose(clip.uv_px[:, : len(BODY)], server.uv_px)


def test_one_hidden_for_a_moment_is_seen_again_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """No search is due yet, ten frames after the last one that found nobody; the trail leads on."""
    people, server = two_people(lost=LOST)
    found = hips(followed(monkeypatch, [f[:1] for f in people], None))
    assert [k for k in range(FRAMES) if np.isnan(found[k, 0])] == list(LOST)
    assert np.allclose(found[LOST.stop :], server[LOST.stop :])


def test_a_stretch_begins_with_the_one_who_still_stands_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """Known from the clip's first frame, a server is not told from a second player again."""
    people, server = two_people()
    known = Seen(people[0][0].uv_px, np.ones(len(BODY)), np.full(len(BODY), np.nan))
    clip = followed(monkeypatch, people, None, known)
    assert np.allclose(hips(clip), server)


def test_one_who_has_left_is_searched_and_no_other_taken_instead(monkeypatch: pytest.MonkeyPatch) -> None:
    left, server, coach = standing(-1.0, -0.2), standing(1.6, -0.2), standing(-1.5, -2.6)
    window = Window(0, 0, 0).around(left.uv_px, 0.62)
    off = hips_px(coach.uv_px) - [window.u_px, window.v_px]
    assert np.abs(off).max() < window.side_px / 2  # he is seen where the server was
    before = Seen(left.uv_px, np.ones(len(BODY)), np.full(len(BODY), np.nan))
    clip = followed(monkeypatch, [[server, coach]] * 5, None, before)
    assert np.allclose(hips(clip), hips_px(server.uv_px))


def test_two_people_at_the_baseline_are_asked_about(monkeypatch: pytest.MonkeyPatch) -> None:
    people, _ = two_people()
    with pytest.raises(NotMeasurable, match=r"\[server\]"):
        followed(monkeypatch, people, None)
