"""A 3D point is drawn on the very pixel that Camera.project names, by every part of the renderer."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.geometry import Rigid
from demo_rigs.appearance import TAPE_COLOURS, dress
from demo_rigs.boards import board_picture, draw_board, facing_pose
from demo_rigs.court_scene import background
from demo_rigs.lens_map import LensMap, window_around
from demo_rigs.renderer import Stage
from demo_rigs.serve_footage import ServeCamera
from demo_rigs.truth import keypoints

PLACES = [(0.0, 0.0, 1.0), (-2.4, -1.0, 0.3), (1.6, 0.4, 3.2), (-1.5, 2.0, 2.9), (1.4, -1.5, 0.2)]


@pytest.fixture(scope="module")
def stage(academy, serves):
    serve = serves["clean_right"]
    dressed = dress(serve.body, academy.serve("clean_right").athlete)
    stage = Stage(academy.cameras["rear_left"], dressed, serve.grip)
    away = dressed.vertices_m - np.array([0.0, 0.0, 50.0])
    yield lambda ball: (stage.move(away, dressed.normals, np.eye(3), np.array([0, 0, -50.0]), ball), stage)[1]


def centroid(weight, window):
    v, u = np.indices(weight.shape)
    return np.array([(u * weight).sum(), (v * weight).sum()]) / weight.sum() + [window.left, window.top]


@pytest.mark.parametrize("place", PLACES)
def test_ball_lands_where_the_camera_model_projects_it(academy, stage, place):
    camera = academy.cameras["rear_left"]
    ball = np.array(place)
    uv = camera.project(ball)
    window = window_around(uv[None], camera.size_px, 12)
    alone = stage(ball).ball_alone(window, ball)[..., 3]
    assert np.abs(centroid(alone, window) - uv).max() < 0.05
    lens = LensMap(camera)
    at = lens.straight_window(window)
    drawn = lens.bend(stage(ball).draw(at, ball=True).astype(np.float32), at, window)
    assert np.abs(centroid(drawn[..., 3], window) - uv).max() < 0.08
    # both ways of drawing the ball give the same brightness
    mean = [x[..., 1].sum() / x[..., 3].sum() for x in (drawn, stage(ball).ball_alone(window, ball))]
    assert mean[0] == pytest.approx(mean[1], rel=0.06)


@pytest.mark.parametrize("tilt", [(0, 0, 8), (25, -20, 30), (-30, 25, -15)])
@pytest.mark.parametrize("name", ["rear_left", "side"])
def test_board_corners_land_where_the_camera_model_projects_them(academy, name, tilt):
    camera = academy.cameras[name]
    picture = board_picture(academy.board)
    pose = facing_pose(picture, camera.centre_m() + camera.rays(np.array([820.0, 470.0])) * 2.2,
                       camera.centre_m(), np.array(tilt, dtype=float))  # fmt: skip
    window, board = draw_board(picture, pose, LensMap(camera), 1.0)
    grey = np.full((720, 1280), 128, np.uint8)
    rows, columns = window.slices()
    grey[rows, columns] = np.clip(board[..., 0] * 255 + 128 * (1 - board[..., 1]), 0, 255)
    s = academy.board.square_mm / 1000
    x, y = np.meshgrid(np.arange(academy.board.columns) * s, np.arange(academy.board.rows) * s)
    true = camera.project(pose.apply(np.stack([x, y, 0 * x], axis=-1).reshape(-1, 3)))
    found = cv2.cornerSubPix(
        grey, true.astype(np.float32)[:, None].copy() + 0.7, (7, 7), (-1, -1), (3, 50, 1e-4)
    )[:, 0]
    assert np.sqrt(((found - true) ** 2).mean()) < 0.08
    assert np.abs(found - true).max() < 0.2
    assert np.abs((found - true).mean(axis=0)).max() < 0.03


def test_a_board_seen_from_behind_shows_no_squares(academy):
    camera = academy.cameras["side"]
    picture = board_picture(academy.board)
    front = facing_pose(picture, np.array([0.0, 0.0, 1.2]), camera.centre_m(), np.zeros(3))
    turned = Rigid(front.R @ np.diag([-1.0, 1.0, -1.0]), np.array([0.0, 0.0, 1.2]), "court", "board")
    _, board = draw_board(picture, turned, LensMap(camera), 1.0)
    assert np.ptp(board[..., 0][board[..., 1] > 0.999]) < 0.01


def test_baseline_edge_is_painted_where_the_camera_model_projects_it(academy):
    full = academy.cameras["rear_right"]
    K = full.K_px / 2
    K[2, 2] = 1.0
    camera = replace(full, size_px=(640, 360), K_px=K)
    picture = background(camera, 3, step=2).mean(axis=2)
    for x in (-2.0, 0.5, 1.5):
        rear, front = camera.project(np.array([[x, 0.0, 0.0], [x, 0.10, 0.0]]))
        u = round(rear[0])
        rear = camera.project(np.array([x + _slide(camera, x, u), 0.0, 0.0]))
        top = int(front[1]) - 6
        column = picture[top : int(rear[1]) + 8, u]
        low, high = column[-3:].mean(), column.max()
        k = np.flatnonzero(column > (low + high) / 2)[-1]
        edge = top + k + (column[k] - (low + high) / 2) / (column[k] - column[k + 1])
        assert edge == pytest.approx(rear[1], abs=0.3)


def _slide(camera, x, u):
    """How far to go along the baseline so that its edge is seen in column u."""
    s = np.linspace(-0.1, 0.1, 2001)
    columns = camera.project(np.stack([x + s, 0 * s, 0 * s], axis=1))[:, 0]
    return s[np.argmin(np.abs(columns - u))]


def test_tapes_are_seen_where_truth_says(academy, serves):
    name, t = "clean_right", 1.60
    serve, entry = serves[name], academy.serve(name)
    for camera in ("rear_right", "side"):
        shots = ServeCamera(academy, serve, entry, camera, np.full((720, 1280, 3), 0.35, np.float32))
        picture = shots.pictures(np.array([t]))[0].astype(float)
        points = keypoints(serve, serve.at(np.array([t])))
        for tape in ("racket_tip", "racket_throat"):
            like = picture @ (np.array(TAPE_COLOURS[tape]) - 0.5)
            uv = academy.cameras[camera].project(points[tape][0])
            window = window_around(uv[None], (1280, 720), 12)
            part = np.clip(like[window.slices()] - 60, 0, None)
            assert np.linalg.norm(centroid(part, window) - uv) < 1.5, (camera, tape)


def test_motion_blur_is_averaged_only_where_something_is_fast(academy, serves):
    entry = academy.serve("clean_right")
    backdrop = np.full((720, 1280, 3), 0.35, np.float32)
    shots = ServeCamera(academy, serves["clean_right"], entry, "side", backdrop)
    assert shots._blur_steps(np.array([0.3]))[0] == 1
    assert shots._blur_steps(np.array([2.04]))[0] >= 4
