"""Patches that may be the ball: by colour, and without it by size and newness alone."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from recon.keypoints.balls import MOST_BALLS, BallOptions, candidates_of, find_balls

SIZE = (240, 320)
YELLOW, ORANGE = (40, 220, 200), (30, 120, 230)  # blue, green, red
BODY_PX = 250.0  # a ball is then 10 px wide


def picture(
    rng: np.random.Generator, balls: list[tuple[float, float, tuple[int, int, int]]], radius: float = 5.0
):
    """A noisy grey scene, and the same with balls and a large new body in it."""
    scene = np.full((*SIZE, 3), 110, np.uint8)
    seen = scene.copy()
    cv2.rectangle(seen, (140, 120), (180, 239), (150, 60, 50), -1)
    for u, v, colour in balls:
        cv2.circle(seen, (round(16 * u), round(16 * v)), round(16 * radius), colour, -1, cv2.LINE_AA, 4)
    noisy = [np.clip(p + rng.normal(0, 2.5, p.shape), 0, 255).astype(np.uint8) for p in (seen, scene)]
    return noisy[0], noisy[1]


@pytest.mark.parametrize("colour", [YELLOW, ORANGE])
def test_a_ball_is_found_whatever_its_colour(colour: tuple[int, int, int], rng: np.random.Generator) -> None:
    """The session's ball is yellow: an orange one is found by size and newness alone."""
    seen, scene = picture(rng, [(60.3, 40.7, colour)])
    balls = find_balls(seen, scene, (0, 0, SIZE[1], SIZE[0]), BODY_PX, BallOptions(hues_deg=(67.0,)))
    assert np.hypot(*(balls[0, :2] - (60.3, 40.7))) < 0.5
    assert balls[0, 3] == pytest.approx(10, abs=1.6)  # drawn with soft edges
    assert balls[0, 4] > 0.9 if colour == YELLOW else balls[0, 4] < 0.3


def test_a_place_is_told_in_the_whole_picture_though_a_part_is_searched(rng: np.random.Generator) -> None:
    seen, scene = picture(rng, [(60.3, 40.7, YELLOW)])
    balls = find_balls(seen, scene, (30, 12, 120, 110), BODY_PX, BallOptions(hues_deg=(67.0,)))
    assert np.hypot(*(balls[0, :2] - (60.3, 40.7))) < 0.5
    other = find_balls(seen, scene, (80, 12, 120, 110), BODY_PX, BallOptions(hues_deg=(67.0,)))
    assert np.isnan(other).all()


def test_a_stage_ball_has_two_hues(rng: np.random.Generator) -> None:
    seen, scene = picture(rng, [(60.3, 40.7, ORANGE)])
    balls = find_balls(seen, scene, (0, 0, SIZE[1], SIZE[0]), BODY_PX, BallOptions(hues_deg=(67.0, 27.0)))
    assert balls[0, 4] > 0.9


def test_several_balls_are_all_kept_the_coloured_first_and_a_body_is_none(rng: np.random.Generator) -> None:
    places = [(40.0, 30.0, YELLOW), (100.0, 200.0, YELLOW), (250.0, 60.0, ORANGE)]
    seen, scene = picture(rng, places)
    balls = find_balls(seen, scene, (0, 0, SIZE[1], SIZE[0]), BODY_PX, BallOptions(hues_deg=(67.0,)))
    assert (~np.isnan(balls[:, 0])).sum() == 3
    for u, v, _ in places:
        assert np.linalg.norm(balls[:, :2] - (u, v), axis=1)[~np.isnan(balls[:, 0])].min() < 0.5
    assert balls[0, 4] > balls[2, 4]


def test_a_ball_before_the_body_is_told_by_its_colour(rng: np.random.Generator) -> None:
    seen, scene = picture(rng, [(160.0, 170.0, YELLOW)])
    balls = find_balls(seen, scene, (0, 0, SIZE[1], SIZE[0]), BODY_PX, BallOptions(hues_deg=(67.0,)))
    assert np.hypot(*(balls[0, :2] - (160, 170))) < 0.5


def test_what_is_too_large_or_not_new_is_no_ball(rng: np.random.Generator) -> None:
    seen, scene = picture(rng, [(60.0, 60.0, YELLOW)], radius=30.0)
    balls = find_balls(seen, scene, (0, 0, SIZE[1], SIZE[0]), BODY_PX, BallOptions(hues_deg=(67.0,)))
    assert np.isnan(balls).all()
    there, _ = picture(rng, [(60.0, 60.0, YELLOW)])
    assert np.isnan(
        find_balls(there, there, (0, 0, SIZE[1], SIZE[0]), BODY_PX, BallOptions(hues_deg=(67.0,)))
    ).all()


def test_patches_become_a_record() -> None:
    balls = np.full((2, MOST_BALLS, 5), np.nan)
    balls[1, 0] = (10, 20, 0.6, 9, 0.8)
    record = candidates_of(balls)
    assert record.sigma_px.shape == (2, MOST_BALLS)
    assert record.uv_px[1, 0].tolist() == [10, 20] and np.isnan(record.colour[0]).all()
