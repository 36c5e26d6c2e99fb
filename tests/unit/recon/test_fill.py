"""A clicked point filled in between clicks, on drawn pictures of an INVENTED racket; and joined to tape."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from recon.keypoints import (
    Known,
    Points,
    contradicting_fill,
    curve_between,
    fill_between,
    join_points,
    noise_of_filled,
    with_frames,
)
from recon.records import WHITE, CameraTracks, Clock, Clocks, Points3D, PointStatus, Tracks2D
from tests.support.drawn_racket import greys, swung, wall, with_racket

SIZE = (640, 360)


def pictures(frames: np.ndarray, **how: float) -> tuple[list[np.ndarray], np.ndarray]:
    behind = wall(SIZE)
    butts, tips = swung(frames, **how)
    return greys([with_racket(behind, b, t) for b, t in zip(butts, tips, strict=True)]), tips


def filled(gap: int, noise_px: float, seed: int, **how: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Errors (N, 2), sigmas (N,) and distances apart (N,) of one filled stretch amid clicks every `gap`
    frames."""
    rng = np.random.default_rng(seed)
    at = np.arange(4) * gap
    clicked = swung(at.astype(float), **how)[1] + rng.normal(0, 1, (4, 2)) * noise_px
    frames = np.arange(gap, 2 * gap + 1)
    shown, tips = pictures(frames.astype(float), **how)
    sigma = max(noise_px, 0.05)
    guess = CubicSpline(at, clicked)(frames)
    way = fill_between(shown, guess, Known(clicked[1], sigma), Known(clicked[2], sigma))
    return (way.uv_px - tips)[1:-1], way.sigma_px[1:-1], way.parted_px[1:-1]


def test_a_moving_tip_is_found_between_exact_clicks() -> None:
    error, sigma, _ = filled(6, 0.0, 0)
    assert np.isfinite(sigma).all()
    assert np.hypot(*error.T).max() < 2.0


def test_the_ends_are_left_to_the_clicks() -> None:
    shown, tips = pictures(np.arange(5.0))
    way = fill_between(shown, tips, Known(tips[0], 1.0), Known(tips[-1], 1.0))
    assert np.isnan(way.sigma_px[[0, -1]]).all() and np.isfinite(way.sigma_px[1:-1]).all()


def test_sigma_says_how_wrong_the_fill_is() -> None:
    """Over many stretches with clicks 2 px off. Too wide here: both ways drift alike, and cancel."""
    z, found = [], 0
    for seed in range(24):
        error, sigma, _ = filled(5 + seed % 4, 2.0, seed, turn_deg=3.0 + seed % 5, speed_px=2.0 + seed % 3)
        there = np.isfinite(sigma)
        found += int(there.sum())
        z.append((error[there] / sigma[there, None]).ravel())
    score = np.concatenate(z)
    assert found > 60
    assert 0.5 < np.sqrt(np.mean(score**2)) < 1.2
    assert np.mean(np.abs(score) < 2) > 0.9


def test_a_click_on_something_else_fills_nothing() -> None:
    """One end lies on the wall 60 px away: the ways do not meet, and which is right is not known."""
    shown, tips = pictures(np.arange(7.0))
    way = fill_between(shown, tips, Known(tips[0], 2.0), Known(tips[-1] + [60.0, 0.0], 2.0))
    assert np.isnan(way.sigma_px).all()


def test_a_point_that_is_gone_fills_nothing() -> None:
    shown, tips = pictures(np.arange(7.0))
    rng = np.random.default_rng(0)
    shown[3] = rng.integers(0, 255, shown[3].shape, dtype=np.uint8)
    way = fill_between(shown, tips, Known(tips[0], 2.0), Known(tips[-1], 2.0))
    assert np.isnan(way.sigma_px).all()


def test_a_cubic_is_met_by_the_curve_through_two_clicks_on_either_side() -> None:
    at, t = np.array([0.0, 0.05, 0.1, 0.16]), np.array([0.06, 0.08])

    def cubic(s: np.ndarray) -> np.ndarray:
        return np.stack([400 + 900 * s - 5e3 * s**2 + 3e4 * s**3, 100 + 300 * s], axis=1)

    way = curve_between(t, at, cubic(at), np.full(4, 2.0), 1)
    np.testing.assert_allclose(way.uv_px, cubic(t), atol=1e-9)
    # u is that of the clicks, by their weights, and a share of how far the two parabolas lie apart
    assert (way.sigma_px > 0.4 * way.parted_px).all() and (way.parted_px > 0.5).all()
    straight = curve_between(t, at, np.stack([at, at], axis=1) * 100, np.full(4, 2.0), 1)
    assert (straight.parted_px < 1e-9).all() and (straight.sigma_px < 2.0).all()


def test_what_stands_still_is_less_sure_the_farther_its_ends_are(rng: np.random.Generator) -> None:
    """By hand: both ways agree, so that halfway u² is (1² + 1²) / 4 of the ends' own and 0.3² for 2 frames."""
    picture = rng.integers(0, 255, (120, 160)).astype(np.uint8)
    known = Known(np.array([80.0, 60.0]), 1.0)
    way = fill_between([picture] * 5, np.tile(known.uv_px, (5, 1)), known, known)
    assert way.sigma_px[2] == pytest.approx(np.sqrt(0.5 + 2 * 0.3**2), abs=1e-6)


def test_at_an_end_the_curve_is_a_parabola_and_less_sure() -> None:
    at, t = np.array([0.0, 0.05, 0.1]), np.array([0.075])
    bent = np.stack([at, 4e3 * at**2], axis=1)
    way = curve_between(t, at, bent, np.full(3, 0.1), 1)
    np.testing.assert_allclose(way.uv_px, [[0.075, 22.5]])
    # the straight line is at (10 + 40) / 2 = 25 there, so that the bend is 2.5 px, of which twice counts
    np.testing.assert_allclose(way.parted_px, [2.5])
    assert way.sigma_px[0] == pytest.approx(5.0, rel=0.01)


# -- joined to what was detected -------------------------------------------------------------------------

T = np.arange(20) / 100


def taped(every_px: np.ndarray | None = None) -> CameraTracks:
    """A camera that saw one point's tape at (100, 50) in all frames, or at other places."""
    uv = np.full((20, 1, 2), (100.0, 50.0)) if every_px is None else every_px
    return CameraTracks("a", SIZE, T, uv, np.where(np.isnan(uv[..., 0]), np.nan, 0.7))


def some(at: list[int], uv: tuple[float, float], sigma: float = 2.0) -> Points:
    return Points(T[at], np.full((len(at), 2), uv), np.full(len(at), sigma))


NONE = some([], (0, 0))


def test_a_click_takes_its_frame_and_leaves_the_others_to_the_tape() -> None:
    joined = join_points(taped(), 0, some([3, 9], (103.0, 50.0)), NONE)
    np.testing.assert_allclose(joined.tracks.uv_px[[3, 9], 0], [(103.0, 50.0)] * 2)
    np.testing.assert_allclose(joined.tracks.sigma_px[[3, 9], 0], 2.0)
    np.testing.assert_allclose(joined.tracks.uv_px[4, 0], (100.0, 50.0))
    assert list(np.flatnonzero(joined.clicked)) == [3, 9] and not joined.tape_left_out


def test_tape_stays_where_the_fill_agrees_and_neither_where_it_does_not() -> None:
    seen = taped()
    uv = np.array(seen.uv_px)
    uv[6] = np.nan
    seen = taped(uv)
    fill = Points(T[[5, 6, 7]], np.array([[102.0, 50.0], [102.0, 50.0], [160.0, 50.0]]), np.full(3, 2.0))
    joined = join_points(seen, 0, some([4, 8], (101.0, 50.0)), fill)
    np.testing.assert_allclose(joined.tracks.uv_px[5, 0], (100.0, 50.0))
    np.testing.assert_allclose(joined.tracks.uv_px[6, 0], (102.0, 50.0))
    assert np.isnan(joined.tracks.sigma_px[7, 0])
    assert list(np.flatnonzero(joined.filled)) == [6]


def test_tape_that_contradicts_the_clicks_is_left_out_throughout() -> None:
    joined = join_points(taped(), 0, some([2, 5, 8], (300.0, 200.0)), NONE)
    assert joined.tape_left_out
    assert (~np.isnan(joined.tracks.sigma_px[:, 0])).sum() == 3
    two = join_points(taped(), 0, some([2, 5], (300.0, 200.0)), NONE)  # two frames are no ground to judge it
    assert not two.tape_left_out


def test_frames_of_clicks_that_the_tracks_lack_are_put_in() -> None:
    seen = taped()
    more = with_frames(seen, np.array([0.05, 0.051, 0.225]))
    np.testing.assert_allclose(more.t_cam_s[-1], 0.225)
    assert len(more.t_cam_s) == 21 and np.isnan(more.sigma_px[-1]).all()
    assert with_frames(seen, np.array([0.05])) is seen


def test_filled_errors_linger_for_half_the_time_between_clicks() -> None:
    shape = noise_of_filled("racket_tip", 40, 30, 0.08)
    assert (shape.white, shape.slow, shape.slow_s) == (0.25, 0.75, 0.04)
    assert noise_of_filled("racket_tip", 40, 0, 0.08) == WHITE


def triangle_and_markov(between_s: float, span_s: float) -> tuple[float, float]:
    """Variance of the mean over a span, of errors running from click to click and of the process taken for
    them."""
    lag = np.linspace(-span_s, span_s, 4001)
    weight = (1 - np.abs(lag) / span_s) / span_s * (lag[1] - lag[0])
    triangle = np.maximum(1 - np.abs(lag) / between_s, 0)
    markov = np.exp(-np.abs(lag) / (between_s / 2))
    return float((weight * triangle).sum()), float((weight * markov).sum())


@pytest.mark.parametrize("span_s", [0.2, 0.4, 0.8])
def test_the_process_averages_out_as_clicks_do(span_s: float) -> None:
    triangle, markov = triangle_and_markov(0.08, span_s)
    assert markov == pytest.approx(triangle, rel=0.10)


# -- a racket that stretches -----------------------------------------------------------------------------


def racket_points(tip_off_m: np.ndarray) -> tuple[Tracks2D, Clocks, Points3D]:
    """Butt at rest, tip 0.68 m above it but for what is added; two cameras that saw both in all 60 frames."""
    n = len(tip_off_m)
    t = np.arange(n) / 100
    names = ("racket_tip", "racket_butt")
    xyz = np.zeros((n, 2, 3))
    xyz[:, 0, 2] = 0.68 + tip_off_m
    cov = np.broadcast_to(np.eye(3) * 0.005**2, (n, 2, 3, 3))
    status = np.full((n, 2), PointStatus.OK, dtype=np.int8)
    views = np.ones((n, 2, 2), dtype=bool)
    points = Points3D("court", names, ("a", "b"), t, xyz, cov, status, views)
    uv, sigma = np.zeros((n, 2, 2)), np.ones((n, 2))
    tracks = Tracks2D(names, tuple(CameraTracks(c, SIZE, t, uv, sigma) for c in ("a", "b")), "made up")
    return tracks, Clocks("a", (Clock("a", 0.0, 0.0), Clock("b", 0.0, 0.0))), points


def test_filled_tips_that_stretch_the_racket_are_named() -> None:
    off = np.zeros(60)
    off[[20, 21, 40]] = 0.12
    tracks, clocks, points = racket_points(off)
    is_filled = np.ones(60, dtype=bool)
    is_filled[::6] = False
    is_filled[40] = False  # a click: never touched
    filled = {c: {"racket_tip": is_filled} for c in ("a", "b")}
    wrong = contradicting_fill(tracks, clocks, points, filled)
    for camera in ("a", "b"):
        assert list(np.flatnonzero(wrong[camera]["racket_tip"])) == [20, 21]


def test_a_length_that_is_known_serves_where_none_is_learned() -> None:
    tracks, clocks, points = racket_points(np.full(12, 0.12))
    filled = {c: {"racket_tip": np.ones(12, dtype=bool)} for c in ("a", "b")}
    assert not contradicting_fill(tracks, clocks, points, filled)["a"]["racket_tip"].any()
    known = {("racket_tip", "racket_butt"): 0.68}
    assert contradicting_fill(tracks, clocks, points, filled, known)["a"]["racket_tip"].all()
    sure = replace(points, cov_m2=np.broadcast_to(np.eye(3) * 0.05**2, points.cov_m2.shape))
    assert not contradicting_fill(tracks, clocks, sure, filled, known)["a"]["racket_tip"].any()
