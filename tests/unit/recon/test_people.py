"""Invented people told apart over cameras and time, and the server chosen among them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.errors import BadInput, NotMeasurable
from recon.people import Gathering, Person, Sighting, Timing, choose_server, link, tell_apart
from recon.records import BODY
from tests.support.invented_people import Somebody, looks, stands, walks
from tests.support.world import three_cameras

CAMERAS = three_cameras()
T = np.arange(0.0, 3.01, 0.25)
SERVER = Somebody(stands(0.5, -0.2), 1.8, hand_up_s=(1.0, 2.0))
PASSER_BY = Somebody(walks((-3.0, -3.0), (1.5, -3.2), 3.0), 1.7)
BEHIND = Somebody(stands(2.5, 6.0), 1.9)
AT_THE_LINE = Somebody(stands(-1.6, -0.4), 1.75)


def gathered(people, rng, cameras=CAMERAS, **more) -> Gathering:
    return tell_apart(cameras, looks(cameras, people, T, rng, **more))


def nearest(gathering: Gathering, somebody: Somebody) -> Person:
    """Whose track is nearest to a person's true places."""
    true = lambda p: np.array([somebody.where(t) for t in p.track.t_s])  # noqa: E731
    return min(gathering.people, key=lambda p: float(np.median(np.abs(p.track.xy_m - true(p)))))


@pytest.mark.parametrize("count", [2, 3])
def test_each_person_has_one_track_where_they_are(rng: np.random.Generator, count: int) -> None:
    people = [SERVER, PASSER_BY, BEHIND][:count]
    gathering = gathered(people, rng)
    assert len(gathering.people) == count
    for somebody in people:
        track = nearest(gathering, somebody).track
        off = np.linalg.norm(track.xy_m - [somebody.where(t) for t in track.t_s], axis=1)
        assert off.max() < 0.35 and np.all(off < 4 * track.u_m)
        assert track.status == "several views" and "rear_left" in track.reason


@pytest.mark.parametrize("names", [("rear_left", "rear_right"), ("rear_left", "side")])
def test_two_cameras_are_enough(rng: np.random.Generator, names: tuple[str, str]) -> None:
    cameras = [c for c in CAMERAS if c.name in names]
    choice = choose_server(gathered([PASSER_BY, SERVER], rng, cameras))
    assert choice.server is not None
    assert np.allclose(np.median(choice.server.track.xy_m, axis=0), (0.5, -0.2), atol=0.15)


@settings(max_examples=3)
@given(seed=st.integers(0, 10**6), data=st.data())
def test_no_order_matters(seed: int, data: st.DataObject) -> None:
    seen = looks(CAMERAS, [SERVER, PASSER_BY, BEHIND], T[:7], np.random.default_rng(seed))
    order = data.draw(st.permutations(range(3)))
    turned = {
        CAMERAS[k].name: [
            [p[i] for i in data.draw(st.permutations(range(len(p))))] for p in seen[CAMERAS[k].name]
        ]
        for k in order
    }
    plain, other = tell_apart(CAMERAS, seen), tell_apart([CAMERAS[k] for k in order], turned)
    assert plain.ahead_s == other.ahead_s and len(plain.people) == len(other.people)
    for a, b in zip(plain.people, other.people, strict=True):
        np.testing.assert_allclose(a.track.xy_m, b.track.xy_m, atol=1e-9)
    one, two = choose_server(plain).server, choose_server(other).server
    assert one is not None and two is not None
    np.testing.assert_allclose(one.track.xy_m, two.track.xy_m, atol=1e-9)


@pytest.mark.parametrize("ahead", [{"rear_right": 0.03, "side": -0.04}, {"rear_right": 0.875, "side": -0.75}])
def test_clips_started_by_hand_are_aligned_by_who_walks_in_them(
    rng: np.random.Generator, ahead: dict[str, float]
) -> None:
    gathering = gathered([SERVER, PASSER_BY], rng, ahead_s=ahead)
    assert len(gathering.people) == 2
    for name in ("rear_right", "side"):
        told = gathering.ahead_s[name] - gathering.ahead_s["rear_left"]
        assert abs(told - ahead[name]) < 0.2
    assert choose_server(gathering).server is nearest(gathering, SERVER)


def test_known_clocks_are_kept(rng: np.random.Generator) -> None:
    ahead = {"rear_left": 0.0, "rear_right": 5.3, "side": -2.2}
    seen = looks(CAMERAS, [SERVER, PASSER_BY], T, rng, ahead_s=ahead)
    for name, offset in ahead.items():
        seen[name] = looks([CAMERAS[0]] and [c for c in CAMERAS if c.name == name], [SERVER, PASSER_BY],
                           T - offset, rng, ahead_s={name: offset})[name]  # fmt: skip
    gathering = tell_apart(CAMERAS, seen, Timing(ahead_s=ahead, reach_s=0.0))
    assert dict(gathering.ahead_s) == ahead and len(gathering.people) == 2


def test_people_who_cross_in_one_view_are_told_apart_by_the_others(rng: np.random.Generator) -> None:
    """From the rear left the passer-by goes by right in front of the server, who is hidden for a moment."""
    rear = CAMERAS[0]
    way = np.array([0.5, -0.2]) - rear.centre_m()[:2]
    across = np.array([-way[1], way[0]]) / np.linalg.norm(way)
    middle = rear.centre_m()[:2] + 0.6 * way
    passing = Somebody(walks(tuple(middle - 1.4 * across), tuple(middle + 1.4 * across), 3.0), 1.7)

    def hidden(camera: str, person: int, t: float) -> bool:
        return camera == rear.name and person == 0 and abs(t - 1.5) < 0.3

    gathering = gathered([SERVER, passing], rng, hidden=hidden)
    choice = choose_server(gathering)
    assert len(gathering.people) == 2
    assert choice.server is nearest(gathering, SERVER)
    body = {t: SERVER.body_m(t) for t in T}
    for camera in CAMERAS:
        for s in choice.server.seen_by(camera.name):
            off = np.linalg.norm(s.uv_px - camera.project(body[s.t_s]), axis=1)
            assert np.median(off) < 0.05 * s.height_px


def test_nobody_is_twice_in_one_picture(rng: np.random.Generator) -> None:
    """Two people so close that the rays of either meet those of the other."""
    close = [Somebody(stands(0.5, -0.2), 1.8), Somebody(stands(0.68, -0.3), 1.75)]
    for person in tell_apart(CAMERAS, looks(CAMERAS, close, T[:5], rng)).people:
        for camera in person.cameras:
            times = [s.t_s for s in person.seen_by(camera)]
            assert len(times) == len(set(times))


def test_a_third_camera_s_word_counts(rng: np.random.Generator) -> None:
    """The rays of one rear camera to the server meet those of the side camera to somebody behind him."""
    behind = Somebody(stands(0.6, -1.0), 1.95)
    side_alone = lambda camera, person, t: (camera == "side") != (person == 1)  # noqa: E731
    two = gathered([SERVER, behind], rng, CAMERAS[1:], hidden=side_alone)
    assert len(two.people) == 1  # which two cameras cannot know
    three = gathered([SERVER, behind], rng, hidden=side_alone)
    assert sorted(p.cameras for p in three.people) == [("rear_left", "rear_right"), ("side",)]


def test_a_nearer_passer_by_is_not_the_server(rng: np.random.Generator) -> None:
    seen = looks(CAMERAS, [PASSER_BY, SERVER], T, rng)
    tall = [max(s.height_px for s in people) for people in seen["rear_left"] if len(people) > 1]
    server = nearest(tell_apart(CAMERAS, seen), SERVER)
    assert max(tall) > 1.2 * max(s.height_px for s in server.seen_by("rear_left"))
    choice = choose_server(tell_apart(CAMERAS, seen))
    assert choice.server is not None and np.allclose(choice.server.track.xy_m, (0.5, -0.2), atol=0.3)


def test_two_at_the_line_are_asked_about_with_pixels_of_both(rng: np.random.Generator) -> None:
    two = [Somebody(stands(0.5, -0.2)), AT_THE_LINE]
    gathering = gathered(two, rng)
    with pytest.raises(NotMeasurable) as asked:
        choose_server(gathering)
    text = str(asked.value)
    assert "[server] rear_left = [" in text and "x -1.6 m, y -0.4 m" in text and "x 0.5 m, y -0.2 m" in text
    for camera in CAMERAS:
        for somebody in two:
            u, v = nearest(gathering, somebody).seen_by(camera.name)[0].hips_px
            assert f"{camera.name} = [{u:.0f}, {v:.0f}]" in text


@pytest.mark.parametrize("camera", ["rear_left", "rear_right", "side"])
def test_one_pixel_of_one_camera_settles_it_for_all(rng: np.random.Generator, camera: str) -> None:
    gathering = gathered([Somebody(stands(0.5, -0.2)), AT_THE_LINE], rng)
    for somebody in (Somebody(stands(0.5, -0.2)), AT_THE_LINE):
        wanted = nearest(gathering, somebody)
        pixel = wanted.seen_by(camera)[0].hips_px + [8.0, -12.0]
        choice = choose_server(gathering, {camera: pixel})
        assert choice.server is wanted and len(wanted.cameras) == 3 and camera in choice.why


def test_pixels_on_nobody_or_on_two_people_are_refused(rng: np.random.Generator) -> None:
    gathering = gathered([Somebody(stands(0.5, -0.2)), AT_THE_LINE], rng)
    one, two = nearest(gathering, SERVER), nearest(gathering, AT_THE_LINE)
    with pytest.raises(NotMeasurable, match=r"nobody is seen there .* there are \["):
        choose_server(gathering, {"side": np.array([5.0, 5.0])})
    apart = {"rear_left": one.seen_by("rear_left")[0].hips_px, "side": two.seen_by("side")[0].hips_px}
    with pytest.raises(BadInput, match="two people"):
        choose_server(gathering, apart)


def test_of_two_at_the_line_the_one_who_raises_a_hand_serves_and_it_is_said(rng: np.random.Generator) -> None:
    gathering = gathered([AT_THE_LINE, SERVER], rng)
    choice = choose_server(gathering)
    assert choice.server is nearest(gathering, SERVER) and "raises a hand" in choice.why


def test_of_two_who_both_raise_a_hand_neither_is_taken(rng: np.random.Generator) -> None:
    both = [SERVER, Somebody(stands(-1.6, -0.4), 1.75, hand_up_s=(1.2, 2.2))]
    with pytest.raises(NotMeasurable, match="two people"):
        choose_server(gathered(both, rng))


def test_one_whom_cameras_saw_at_different_times_is_not_two_people(rng: np.random.Generator) -> None:
    """Nothing tells that both sightings are of one person, and nothing that they are of two: no question."""
    still = [Somebody(stands(0.5, -0.2))]
    seen = {
        c.name: looks([c], still, np.array(times), rng)[c.name]
        for c, times in ((CAMERAS[0], [0.0, 1.0]), (CAMERAS[2], [0.5]))
    }
    gathering = tell_apart(CAMERAS, seen, Timing(reach_s=0.0))
    assert len(gathering.people) == 2
    assert choose_server(gathering).server is not None


def test_a_better_place_does_not_outdo_a_serve_made_near_by(rng: np.random.Generator) -> None:
    """A coach on the line, the server two metres behind it: asked about, never guessed."""
    behind = Somebody(stands(0.8, -2.2), 1.8, hand_up_s=(1.0, 2.0))
    with pytest.raises(NotMeasurable, match="two people"):
        choose_server(gathered([AT_THE_LINE, behind], rng))


def test_nobody_near_the_line_is_no_server(rng: np.random.Generator) -> None:
    assert choose_server(gathered([BEHIND], rng)).server is None
    assert choose_server(tell_apart(CAMERAS, {c.name: [] for c in CAMERAS})).server is None


def test_somebody_seen_by_one_camera_has_a_place_and_it_is_said(rng: np.random.Generator) -> None:
    gathering = gathered([SERVER], rng, hidden=lambda camera, person, t: camera != "side")
    (person,) = gathering.people
    assert person.track.status == "one view" and "side" in person.track.reason
    assert np.allclose(person.track.xy_m, (0.5, -0.2), atol=0.6)


def test_exchanged_sides_change_nothing(rng: np.random.Generator) -> None:
    """Detectors read a back as a front: left and right of one view exchanged."""
    seen = looks(CAMERAS, [SERVER, PASSER_BY], T, rng)
    other = [
        BODY.index("_".join({"left": "right", "right": "left"}.get(w, w) for w in n.split("_"))) for n in BODY
    ]
    turned = [[Sighting(s.t_s, s.uv_px[other], s.visibility) for s in people] for people in seen["side"]]
    plain, exchanged = tell_apart(CAMERAS, seen), tell_apart(CAMERAS, seen | {"side": turned})
    for a, b in zip(plain.people, exchanged.people, strict=True):
        np.testing.assert_allclose(a.track.xy_m, b.track.xy_m, atol=1e-9)


def test_a_path_ends_where_two_people_come_too_close() -> None:
    """Hips a fifth of a height apart: which is which the one camera cannot say."""
    body = np.stack([np.linspace(300, 340, 27), np.linspace(200, 400, 27)], axis=1)

    def at(t: float, u: float) -> Sighting:
        return Sighting(t, body + [u, 0], np.ones(27))

    apart = [[at(0.25 * k, 0.0), at(0.25 * k, 400.0)] for k in range(4)]
    close = [[at(0.25 * k, 0.0), at(0.25 * k, 40.0)] for k in range(4)]
    assert len(link("side", apart)) == 2
    assert len(link("side", close)) > 2


def test_unknown_cameras_and_broken_sightings_are_refused() -> None:
    with pytest.raises(BadInput, match="no camera 'front'"):
        tell_apart(CAMERAS, {"front": []})
    with pytest.raises(BadInput, match="sighting"):
        Sighting(0.0, np.full((27, 2), np.nan), np.ones(27))
    with pytest.raises(BadInput, match="reach"):
        Timing(reach_s=-1.0)
