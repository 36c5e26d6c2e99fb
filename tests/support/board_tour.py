"""Invented board footage for the guide: boards held still, carried with motion blur, held where it asks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import count
from pathlib import Path
from time import sleep

import av
import numpy as np
from numpy.typing import NDArray

from calibration.board import Board
from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from calibration.guide.judge import Judge, Verdict
from calibration.guide.plan import Place, candidate_places
from tests.support.board_pictures import board_picture, make_camera, noisy

BOARD = Board(9, 6, 0.1)
SIZE_PX = (640, 360)
_BLUR_STEPS = 7
_HOLDS = count()  # only differences of time matter to a judge


def tour_camera(name: str = "west") -> Camera:
    """The invented camera that films."""
    return make_camera(name, SIZE_PX, 560.0)


def facing(x_m: float, y_m: float, z_m: float, turn: tuple[float, float, float] = (0.3, -0.4, 0.05)) -> Rigid:
    """rig_from_board with the board's middle at a place in front of the camera."""
    R = Rigid.from_rotvec(np.array(turn), np.zeros(3), "rig", "board").R
    return Rigid(R, np.array([x_m, y_m, z_m]) - R @ BOARD.centre_m(), "rig", "board")


def shifted(pose: Rigid, by_m: Array) -> Rigid:
    """The board moved without being turned."""
    return Rigid(pose.R, pose.t_m + by_m, pose.dst, pose.src)


def shot(
    camera: Camera, pose: Rigid, rng: np.random.Generator, way_m: Array | None = None
) -> NDArray[np.uint8]:
    """A grey picture of the board; way_m: how far it moves while the shutter is open, about its pose."""
    if way_m is None:
        return noisy(board_picture(camera, pose, BOARD.columns, BOARD.rows, BOARD.square_m), rng)
    steps = [shifted(pose, s * way_m) for s in np.linspace(-0.5, 0.5, _BLUR_STEPS)]
    parts = [board_picture(camera, p, BOARD.columns, BOARD.rows, BOARD.square_m).astype(float) for p in steps]
    return noisy(np.mean(parts, axis=0), rng)


def held_as_asked(camera: Camera, place: Place, rng: np.random.Generator) -> Rigid:
    """The place as a person hits it: a few degrees and centimetres off, and wholly in the picture."""
    asked = place.cam_from_board
    for tries in range(40):
        slack = 1.0 + 0.02 * tries  # a little farther away and inward each time it does not fit
        turn = Rigid.from_rotvec(rng.normal(0, 0.08, 3), np.zeros(3), "rig", "rig").R @ asked.R
        middle = (asked.apply(BOARD.centre_m()) + rng.normal(0, 0.02, 3)) * [1.0, 1.0, slack]
        pose = Rigid(turn, middle - turn @ BOARD.centre_m(), camera.world, "board")
        px = camera.project(pose.apply(BOARD.points_m()))
        if (px > 2).all() and (px < np.array(camera.size_px) - 3).all():
            return pose
    raise ValueError("the asked place does not fit into the picture")


def any_place(camera: Camera, rng: np.random.Generator) -> Place:
    """A place at random among those that the guide chooses from."""
    places = candidate_places(camera, BOARD)
    return places[int(rng.integers(len(places)))]


def write_growing(
    path: Path, pictures: Iterable[NDArray[np.uint8]], *, form: str, fps: int = 10, pause_s: float = 0.0
) -> None:
    """H.264 into a file that can be read while written: form "mpegts", "matroska" or "mp4" in fragments."""
    options = {"flush_packets": "1"}
    if form == "mp4":
        options["movflags"] = "frag_keyframe+empty_moov+default_base_moof"
    if form == "matroska":
        options["cluster_time_limit"] = "200"
    with av.open(str(path), mode="w", format=form, options=options) as out:
        stream = None
        for picture in pictures:
            if stream is None:
                encoder = {"crf": "16", "preset": "ultrafast", "tune": "zerolatency", "g": str(fps)}
                stream = out.add_stream("libx264", rate=fps, options=encoder)
                stream.width, stream.height, stream.pix_fmt = picture.shape[1], picture.shape[0], "yuv420p"
            for packet in stream.encode(av.VideoFrame.from_ndarray(picture, format="gray")):
                out.mux(packet)
            if pause_s:
                sleep(pause_s)
        if stream is not None:
            for packet in stream.encode():
                out.mux(packet)


def tour(
    camera: Camera, poses: Sequence[Rigid], rng: np.random.Generator, still: int = 3
) -> Iterator[NDArray[np.uint8]]:
    """The board carried from place to place: at each a few still pictures, between them two blurred ones."""
    for before, pose in zip([None, *poses[:-1]], poses, strict=True):
        if before is not None:
            way = pose.apply(BOARD.centre_m()) - before.apply(BOARD.centre_m())
            for share in (0.35, 0.65):
                yield shot(camera, shifted(before, share * way), rng, 0.15 * way)
        for _ in range(still):
            yield shot(camera, pose, rng)


def guided_poses(judge: Judge, camera: Camera, rng: np.random.Generator, most: int = 40) -> list[Rigid]:
    """Where a person who follows the guide holds the board until it has enough; corners only, no pictures."""
    poses: list[Rigid] = []
    while not judge.standing().enough and len(poses) < most:
        asked = judge.standing().missing[0]
        place = next(p for p in candidate_places(judge.lens.camera, BOARD) if p.words == asked.place_words)
        poses.append(held_as_asked(camera, place, rng))
        show(judge, camera, poses[-1], rng)
    return poses


def show(judge: Judge, camera: Camera, pose: Rigid, rng: np.random.Generator, sigma_px: float = 0.1) -> Verdict:
    """Gives a judge the noisy corners of a board held still for two pictures; the second one's verdict."""
    start_s = 2.0 * next(_HOLDS)
    exact = camera.project(pose.apply(BOARD.points_m()))
    ids = np.arange(len(exact))
    for k in range(2):
        judged = judge.weigh(start_s + 0.1 * k, exact + rng.normal(0, sigma_px, exact.shape), ids, 2.0)
    return judged.verdict
