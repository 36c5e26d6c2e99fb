"""Invented tracks of cameras of which one follows somebody else for a while, or loses the player."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from calibration.checks import Array
from recon.people import Followed, State, compare_followed
from recon.records import BODY, CameraTracks, Clock, Clocks, Tracks2D
from tests.support.invented_people import Somebody, walks
from tests.support.world import three_cameras

CAMERAS = three_cameras()
PAIR = CAMERAS[:2]
T = np.arange(0.0, 2.0, 1 / 60)
SERVER = Somebody(walks((0.5, -0.3), (0.6, 0.3), 2.0), 1.8)
OTHER = Somebody(walks((-2.5, -2.6), (1.0, -2.4), 2.0), 1.7)
NOBODY = None
Whom = Callable[[str, float], Somebody | None]


def follow(whom: Whom, rng: np.random.Generator, cameras=CAMERAS, sigma: float = 0.012) -> Followed:
    """What is said of cameras that follow whom they are told to, moment by moment."""
    seen = []
    for camera in cameras:
        uv = np.full((len(T), len(BODY), 2), np.nan)
        for k, t in enumerate(T):
            somebody = whom(camera.name, t)
            if somebody is not None:
                exact = camera.project(somebody.body_m(t))
                uv[k] = exact + rng.normal(0, sigma * np.ptp(exact[:, 1]), exact.shape)
        seen.append(
            CameraTracks(camera.name, camera.size_px, T, uv, np.where(np.isnan(uv[..., 0]), np.nan, 3.0))
        )
    clocks = Clocks(cameras[0].name, tuple(Clock(c.name, 0.0, 0.0) for c in cameras))
    return compare_followed(cameras, Tracks2D(BODY, tuple(seen), "invented"), clocks)


def between(t: Array | float, start: float, stop: float) -> Array:
    return (np.asarray(t) >= start) & (np.asarray(t) < stop)


def states(followed: Followed, camera: str) -> Array:
    return followed.state[:, [c.name for c in followed.cameras].index(camera)]


def off_m(followed: Followed) -> Array:
    true = [
        np.mean(SERVER.body_m(t)[[BODY.index("left_hip"), BODY.index("right_hip")]], axis=0)
        for t in followed.t_s
    ]
    return np.linalg.norm(followed.hips_m - true, axis=1)


@pytest.mark.parametrize("cameras", [CAMERAS, PAIR])
def test_cameras_that_follow_one_person_are_left_alone(rng: np.random.Generator, cameras) -> None:
    followed = follow(lambda camera, t: SERVER, rng, cameras)
    assert (followed.state == State.SAME).all()
    assert off_m(followed).max() < 0.15 and followed.tall_m == pytest.approx(1.8, abs=0.1)


@pytest.mark.parametrize("wrong", [c.name for c in CAMERAS])
def test_of_three_cameras_the_one_that_follows_another_is_found(rng: np.random.Generator, wrong: str) -> None:
    followed = follow(lambda c, t: OTHER if c == wrong and between(t, 0.5, 1.2) else SERVER, rng)
    mistaken = states(followed, wrong) == State.MISTAKEN
    assert np.mean(mistaken == between(followed.t_s, 0.5, 1.2)) > 0.95
    for camera in CAMERAS:
        if camera.name != wrong:
            assert (states(followed, camera.name) == State.SAME).all()
    assert off_m(followed).max() < 0.15


@pytest.mark.parametrize("wrong", [c.name for c in CAMERAS])
def test_even_when_it_does_so_all_the_time(rng: np.random.Generator, wrong: str) -> None:
    followed = follow(lambda c, t: OTHER if c == wrong else SERVER, rng)
    mistaken, unsure = (states(followed, wrong) == state for state in (State.MISTAKEN, State.UNSURE))
    assert mistaken.mean() > 0.9  # rays to two people may meet for a few frames in a body of likely size
    assert (mistaken | unsure).all()


@pytest.mark.parametrize("wrong", [c.name for c in PAIR])
def test_of_two_cameras_the_one_whose_person_leapt_is_found(rng: np.random.Generator, wrong: str) -> None:
    followed = follow(lambda c, t: OTHER if c == wrong and between(t, 0.6, 1.0) else SERVER, rng, PAIR)
    right = next(c.name for c in PAIR if c.name != wrong)
    assert np.mean((states(followed, wrong) == State.MISTAKEN) == between(followed.t_s, 0.6, 1.0)) > 0.95
    assert (states(followed, right) == State.SAME).all()
    assert np.nanmax(off_m(followed)) < 0.3


def test_two_cameras_that_never_agree_are_said_to_be_unclear(rng: np.random.Generator) -> None:
    followed = follow(lambda c, t: OTHER if c == PAIR[1].name else SERVER, rng, PAIR)
    assert np.mean(followed.state == State.UNCLEAR) > 0.95


def test_a_player_lost_by_one_camera_has_a_box_there(rng: np.random.Generator) -> None:
    """With two cameras the other alone leads on, with three both."""
    for cameras in (CAMERAS, PAIR):
        followed = follow(
            lambda c, t: NOBODY if c == "rear_right" and between(t, 0.5, 1.3) else SERVER, rng, cameras
        )
        lost = states(followed, "rear_right") == State.LOST
        assert np.mean(lost == between(followed.t_s, 0.5, 1.3)) > 0.95
        boxes = followed.boxes("rear_right", followed.t_s[lost])
        camera = next(c for c in cameras if c.name == "rear_right")
        for t, (u, v, side) in zip(followed.t_s[lost], boxes, strict=True):
            body = camera.project(SERVER.body_m(t))
            low, high = body.min(axis=0), body.max(axis=0)
            assert np.linalg.norm((low + high) / 2 - [u, v]) < 0.15 * np.ptp(body[:, 1])
            assert 0.9 < side / (high - low).max() < 1.4


def test_one_lost_by_all_is_expected_on_the_way_for_a_moment_only(rng: np.random.Generator) -> None:
    short = follow(lambda c, t: NOBODY if between(t, 0.6, 1.0) else SERVER, rng)
    assert (short.state[between(short.t_s, 0.7, 0.9)] == State.LOST).all()
    assert off_m(short)[between(short.t_s, 0.6, 1.0)].max() < 0.3
    long = follow(lambda c, t: NOBODY if between(t, 0.3, 1.8) else SERVER, rng)
    assert np.isnan(long.hips_m[between(long.t_s, 0.9, 1.2)]).all()


def test_a_passer_by_whom_two_cameras_took_does_not_outvote_the_third(rng: np.random.Generator) -> None:
    """They agree on somebody who is where no server can be."""
    far = Somebody(walks((2.0, 7.0), (1.0, 7.5), 2.0), 1.7)
    followed = follow(lambda c, t: far if c != "rear_left" and between(t, 0.6, 1.0) else SERVER, rng)
    inside = between(followed.t_s, 0.65, 0.95)
    assert (states(followed, "rear_left")[inside] == State.SAME).all()
    for name in ("rear_right", "side"):
        assert np.mean(states(followed, name)[inside] == State.MISTAKEN) > 0.9


def test_exchanged_sides_are_not_another_person(rng: np.random.Generator) -> None:
    other = [
        BODY.index("_".join({"left": "right", "right": "left"}.get(w, w) for w in n.split("_"))) for n in BODY
    ]

    class Turned(Somebody):
        def body_m(self, t_s: float) -> Array:
            return super().body_m(t_s)[other]

    turned = Turned(SERVER.where, SERVER.tall_m)
    assert (follow(lambda c, t: turned if c == "side" else SERVER, rng).state == State.SAME).all()


def test_the_order_of_cameras_changes_nothing(rng: np.random.Generator) -> None:
    whom: Whom = lambda c, t: OTHER if c == "side" and between(t, 0.5, 1.2) else SERVER  # noqa: E731
    plain = follow(whom, np.random.default_rng(1), CAMERAS, sigma=0.0)
    turned = follow(whom, np.random.default_rng(1), CAMERAS[::-1], sigma=0.0)
    np.testing.assert_array_equal(plain.state, turned.state[:, ::-1])
    np.testing.assert_allclose(plain.hips_m, turned.hips_m, atol=1e-6)


def test_the_right_body_fits_and_the_wrong_one_does_not(rng: np.random.Generator) -> None:
    followed = follow(lambda c, t: NOBODY if c == "side" and between(t, 0.5, 1.3) else SERVER, rng)
    side, times = CAMERAS[2], np.array([0.7, 0.9, 1.1])
    right, wrong = (np.array([side.project(p.body_m(t)) for t in times]) for p in (SERVER, OTHER))
    assert followed.costs("side", times, right).max() < 1.0
    assert followed.costs("side", times, wrong).min() > 6.0


@pytest.mark.parametrize("wrong", [None, "side"])
def test_own_points_without_hands_and_feet_are_judged_as_well(
    rng: np.random.Generator, wrong: str | None
) -> None:
    """Seventeen points, as many public sources have them: down to the ankles, eyes and ears."""
    lacking = [k for k, n in enumerate(BODY) if n.split("_")[-1] in ("thumb", "index", "pinky", "heel", "toe")]

    class Poor(Somebody):
        def body_m(self, t_s: float) -> Array:
            body = super().body_m(t_s)
            body[lacking] = np.nan
            return body

    people = [Poor(p.where, p.tall_m) for p in (SERVER, OTHER)]
    seen = []
    for camera in CAMERAS:
        uv = np.array([camera.project(people[camera.name == wrong].body_m(t)) for t in T])
        seen.append(
            CameraTracks(camera.name, camera.size_px, T, uv, np.where(np.isnan(uv[..., 0]), np.nan, 3.0))
        )
    clocks = Clocks("rear_left", tuple(Clock(c.name, 0.0, 0.0) for c in CAMERAS))
    followed = compare_followed(CAMERAS, Tracks2D(BODY, tuple(seen), "invented"), clocks)
    for camera in CAMERAS:
        bad = np.isin(states(followed, camera.name), (State.MISTAKEN, State.UNSURE)).mean()
        assert bad > 0.95 if camera.name == wrong else bad == 0
    assert off_m(followed).max() < 0.1
