"""Rendered people before the real detector: a passer-by nearer to a camera, and a second player in the picture.

All people are invented. Small pictures, two cameras, four moments; a whole serve: benchmarks/people_in_view.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest

from calibration.checks import Array
from calibration.geometry import Camera
from demo_rigs.company import Company, Onlooker
from demo_rigs.court_scene import background
from demo_rigs.description import load_academy
from demo_rigs.placed import Way
from demo_rigs.players import build_serve
from demo_rigs.truth import keypoints
from recon.assets import body_wheel, pose_model
from recon.keypoints import PoseReader, mode_of, window_of_box
from recon.keypoints.around import everybody
from recon.keypoints.passes import look_at
from recon.people import Choice, Sighting, Timing, choose_server, tell_apart
from recon.people.place import USUAL_M, body_boxes
from recon.records import BODY

CAMERAS = ("rear_right", "side")
TIMES = np.array([0.9, 1.15, 1.4, 1.65])  # of the scene: the toss
HALF = 0.5
PASSER_BY_S = (0.0, 3.0)
HIPS = [BODY.index("left_hip"), BODY.index("right_hip")]


@dataclass(frozen=True)
class Filmed:
    """Pictures (blue, green, red) of every camera and moment, and where the server truly is."""

    cameras: tuple[Camera, ...]
    pictures: dict[str, list[Array]]
    body_m: Array
    passer_by_m: Array


def smaller(camera: Camera) -> Camera:
    """The same view in a picture of half the width."""
    width, height = camera.size_px
    K = camera.K_px.copy()
    K[:2] *= HALF
    K[:2, 2] += 0.5 * HALF - 0.5  # pixel centres are at integers
    size = (int(width * HALF), int(height * HALF))
    return replace(camera, size_px=size, K_px=K)


@pytest.fixture(scope="module")
def filmed() -> Filmed:
    a, wheel = load_academy(), body_wheel()
    cameras = {name: smaller(a.cameras[name]) for name in CAMERAS}
    a = replace(a, cameras=cameras, picture=replace(a.picture, size_px=cameras["side"].size_px))
    entry = a.serve("clean_right")
    colours = entry.athlete.colours
    green = replace(entry.athlete, height_m=1.7, colours={**colours, "shirt": (0.2, 0.5, 0.3)})
    yellow = replace(entry.athlete, height_m=1.85, colours={**colours, "shirt": (0.7, 0.6, 0.2)})
    passing = Way((-4.0, -3.2), (2.5, -3.8), PASSER_BY_S, -1.4, 0.0)
    onlookers = (
        Onlooker(green, "clean_right", passing),
        Onlooker(yellow, "clean_right", Way((3.2, 5.5), (3.2, 5.5), yaw_rad=0.6, still_s=0.0), racket=True),
    )
    company = Company(a, entry, onlookers, wheel)
    pictures = {}
    for name in CAMERAS:
        shots = company.camera(name, background(cameras[name], a.seed, 1)).pictures(TIMES)
        pictures[name] = [cv2.cvtColor(p, cv2.COLOR_RGB2BGR) for p in shots]
    serve = build_serve(wheel, entry)
    points = keypoints(serve, serve.at(TIMES))
    body = np.stack([points[n] for n in BODY], axis=1)
    return Filmed(tuple(cameras.values()), pictures, body, passing.at(TIMES))


@pytest.fixture(scope="module")
def reader():
    with PoseReader(pose_model("heavy")) as model:
        yield model


@pytest.fixture(scope="module")
def seen(filmed: Filmed, reader: PoseReader) -> dict[str, list[list[Sighting]]]:
    return {
        name: [
            [Sighting(float(t), p.uv_px, np.clip(p.visibility, 0, 1)) for p in everybody(reader, picture)]
            for t, picture in zip(TIMES, filmed.pictures[name], strict=True)
        ]
        for name in CAMERAS
    }


@pytest.fixture(scope="module")
def choice(filmed: Filmed, seen: dict[str, list[list[Sighting]]]) -> Choice:
    return choose_server(tell_apart(filmed.cameras, seen, Timing(reach_s=0.0)))


def test_the_detector_sees_more_than_the_server(seen: dict[str, list[list[Sighting]]]) -> None:
    for looks in seen.values():
        assert max(len(people) for people in looks) >= 2


def test_the_server_is_chosen_in_every_view(filmed: Filmed, choice: Choice) -> None:
    assert choice.server is not None and choice.server.cameras == CAMERAS
    for camera in filmed.cameras:
        sightings = choice.server.seen_by(camera.name)
        assert len(sightings) >= 3
        for s in sightings:
            true = camera.project(filmed.body_m[int(np.argmin(abs(TIMES - s.t_s)))])
            off = np.linalg.norm(s.uv_px[HIPS].mean(axis=0) - true[HIPS].mean(axis=0))
            assert off < 0.1 * np.ptp(true[:, 1])


def test_though_a_passer_by_is_nearer_and_larger(filmed: Filmed, choice: Choice, seen) -> None:
    eye = next(c for c in filmed.cameras if c.name == "rear_right").centre_m()[:2]
    true = filmed.body_m[:, HIPS, :2].mean(axis=1)
    assert (np.linalg.norm(filmed.passer_by_m - eye, axis=1) < np.linalg.norm(true - eye, axis=1)).any()
    server = {s.t_s: s.height_px for s in choice.server.seen_by("rear_right")}
    others = [s.height_px / server[s.t_s] for people in seen["rear_right"] for s in people if s.t_s in server]
    assert max(others) > 1.1


def test_places_on_the_court_are_right_to_a_hand(filmed: Filmed, choice: Choice) -> None:
    track = choice.server.track
    true = filmed.body_m[:, HIPS, :2].mean(axis=1)
    rows = [int(np.argmin(abs(TIMES - t))) for t in track.t_s]
    assert np.linalg.norm(track.xy_m - true[rows], axis=1).max() < 0.15
    assert track.status == "several views"


def test_a_crop_foretold_by_the_other_cameras_shows_the_server(filmed: Filmed, reader: PoseReader) -> None:
    """The second look: one pass in a crop from a coarse place of the hips, as wrong as a track may be."""
    once = replace(mode_of("quick"), onward=False)
    hips = filmed.body_m[:, HIPS].mean(axis=1) + [0.1, -0.1, 0.05]
    for camera in filmed.cameras:
        for box, picture, body in zip(
            body_boxes(camera, hips, USUAL_M), filmed.pictures[camera.name], filmed.body_m, strict=True
        ):
            found = look_at(reader, picture, window_of_box(*map(float, box)), once)
            true = camera.project(body)
            assert found is not None
            off = np.linalg.norm(found.uv_px[HIPS].mean(axis=0) - true[HIPS].mean(axis=0))
            assert off < 0.1 * np.ptp(true[:, 1])
