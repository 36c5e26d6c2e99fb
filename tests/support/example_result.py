"""A small measured session made from an INVENTED motion: for tests of viewer, report and export.

Nobody served it and nothing was filmed: positions come from a script, pictures from drawn lines, uncertainties
from thin air. Three cameras, 120 Hz, about 1.6 s; the clip ends before the landing.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration import OUTLINES_M, Array, Camera, Rigid
from recon import store
from recon.records import (
    BONES,
    EVENT_NAMES,
    KEYPOINTS,
    BallFlight,
    CameraTracks,
    Clock,
    Clocks,
    Event,
    Events,
    Motion,
    Points3D,
    PointStatus,
    Tracks2D,
)
from tests.support.example_measures import example_measures
from tests.support.example_motion import EVENT_TIMES_S, GRAVITY_M_S2, RATE_HZ, invented_motion
from tests.support.example_rig import save_example_rig

_XYZ = tuple[float, float, float]

SIZE_PX = (1280, 720)
PICTURE_SCALE = 0.25
PICTURE_EVERY = 4  # of the 120 frames a second
HEIGHT_M = 1.82
_SEEN_FROM_M = {
    "rear_left": (-3.2, -5.6, 2.3),
    "rear_right": (3.4, -5.4, 2.1),
    "side": (6.4, 0.4, 1.9),
}
_OFFSET_S = {"rear_left": 0.0, "rear_right": 0.4127, "side": -1.2361}
_MORE_TIMES_S = {"lift_start": 0.27, "knee_bend_onset": 0.58}
_HIDDEN = ("left_pinky", "right_pinky")  # absent throughout, so that what shows results meets an absent point


def _looking_at(
    name: str, centre_m: tuple[float, float, float], target_m: tuple[float, float, float]
) -> Camera:
    K = np.array([[1120.0, 0, 639.5], [0, 1120.0, 359.5], [0, 0, 1]])
    lens = np.array([-0.08, 0.02, 0.0, 0.0, 0.0])
    return Camera(name, SIZE_PX, K, lens, Rigid.aimed(name, centre_m, target_m))


def example_cameras() -> tuple[Camera, ...]:
    """Three invented cameras in the court frame."""
    return tuple(_looking_at(name, at, (0.1, -0.1, 1.45)) for name, at in _SEEN_FROM_M.items())


def _example_motion(t: Array, xyz: Array) -> Motion:
    status = np.full(xyz.shape[:2], PointStatus.OK, dtype=np.int8)
    hidden = [KEYPOINTS.index(name) for name in _HIDDEN]
    status[:, hidden] = PointStatus.TOO_FEW_VIEWS
    status[40:46, KEYPOINTS.index("left_ear")] = PointStatus.BRIDGED
    velocity = np.gradient(xyz, t, axis=0)
    cov = np.broadcast_to(np.diag([0.008, 0.009, 0.007]) ** 2, (*xyz.shape, 3)).copy()
    x = xyz.copy()
    x[:, hidden], velocity[:, hidden], cov[:, hidden] = np.nan, np.nan, np.nan
    return Motion("court", KEYPOINTS, t, x, velocity, cov, status)


def _example_points(motion: Motion, cameras: tuple[Camera, ...], rng: np.random.Generator) -> Points3D:
    xyz = motion.xyz_m + rng.normal(0, 0.006, motion.xyz_m.shape)
    status = np.where(motion.status == PointStatus.BRIDGED, PointStatus.TOO_FEW_VIEWS, motion.status)
    absent = status != PointStatus.OK
    cov = motion.cov_m2.copy()
    xyz[absent], cov[absent] = np.nan, np.nan
    views = np.repeat(~absent[..., None], len(cameras), axis=2)
    names = tuple(c.name for c in cameras)
    return Points3D("court", KEYPOINTS, names, motion.t_s, xyz, cov, status.astype(np.int8), views)


def _example_tracks(motion: Motion, cameras: tuple[Camera, ...], rng: np.random.Generator) -> Tracks2D:
    tracks = []
    for camera in cameras:
        uv = camera.project(motion.xyz_m) + rng.normal(0, 1.5, (*motion.xyz_m.shape[:2], 2))
        outside = ~((uv > 0) & (uv < np.array(SIZE_PX) - 1)).all(axis=2)
        uv[outside] = np.nan
        sigma = np.where(np.isnan(uv[..., 0]), np.nan, 1.5)
        tracks.append(CameraTracks(camera.name, SIZE_PX, motion.t_s - _OFFSET_S[camera.name], uv, sigma))
    return Tracks2D(KEYPOINTS, tuple(tracks), "invented for tests")


def _polyline(picture: NDArray[np.uint8], uv: Array, colour: tuple[int, int, int], width: int) -> None:
    """Draw with 1/16 pixel steps, so that the lines are where the points are."""
    for a, b in pairwise(uv):
        if np.isfinite([*a, *b]).all() and np.abs([*a, *b]).max() < 20_000:
            ends = [tuple(round(v * 16) for v in p) for p in (a, b)]
            cv2.line(picture, ends[0], ends[1], colour, width, cv2.LINE_AA, shift=4)


def _drawn(camera: Camera, xyz: Array, scale: float) -> NDArray[np.uint8]:
    """A picture (BGR) of the court and the skeleton as the camera would see them, scaled."""
    w, h = (int(n * scale) for n in camera.size_px)
    picture = np.full((h, w, 3), (168, 140, 104), dtype=np.uint8)

    def px(points: Array) -> Array:
        return np.asarray((camera.project(points) + 0.5) * scale - 0.5)

    for line in OUTLINES_M:
        ends = np.array(line)
        fine = np.concatenate([np.linspace(a, b, 40) for a, b in pairwise(ends)])
        _polyline(picture, px(fine), (240, 240, 240), 1)
    at = dict(zip(KEYPOINTS, px(xyz), strict=True))
    for a, b in BONES:
        _polyline(picture, np.stack([at[a], at[b]]), (70, 60, 60), max(1, round(12 * scale)))
    for name, radius_px in (("nose", 16 * scale), ("ball", 7 * scale)):
        if np.isfinite(at[name]).all() and np.abs(at[name]).max() < 20_000:
            centre = tuple(round(v * 16) for v in at[name])
            colour = (90, 220, 220) if name == "ball" else (120, 150, 190)
            cv2.circle(picture, centre, max(1, int(radius_px * 16)), colour, -1, cv2.LINE_AA, shift=4)
    return picture


def _save_pictures(derived: Path, camera: Camera, motion: Motion) -> None:
    folder = derived / "pictures" / camera.name
    folder.mkdir(parents=True, exist_ok=True)
    times, names = [], []
    for i in range(0, len(motion.t_s), PICTURE_EVERY):
        names.append(f"{i:05d}.jpg")
        times.append(float(motion.t_s[i] - _OFFSET_S[camera.name]))
        cv2.imwrite(str(folder / names[-1]), _drawn(camera, motion.xyz_m[i], PICTURE_SCALE))
    store.save_frame_index(folder, camera.name, times, names, PICTURE_SCALE)


def _save_stills(derived: Path, cameras: tuple[Camera, ...], motion: Motion) -> None:
    folder = derived / "stills"
    folder.mkdir(parents=True, exist_ok=True)
    for event, t_s in (EVENT_TIMES_S | _MORE_TIMES_S).items():
        for camera in cameras:
            xyz = motion.xyz_m[motion.nearest(t_s)]
            cv2.imwrite(str(folder / f"{event}_{camera.name}.jpg"), _drawn(camera, xyz, 0.5))


def _example_events() -> Events:
    times = EVENT_TIMES_S | _MORE_TIMES_S
    rows = [
        Event(name, times[name], 0.006) if name in times
        else Event(name, None, None, "the clip ends before the landing")
        for name in EVENT_NAMES
    ]  # fmt: skip
    return Events(tuple(rows))


def save_example(folder: Path, handedness: str = "right", cameras: tuple[Camera, ...] | None = None) -> Path:
    """Write folder/rig and folder/session, complete with all derived files; returns the session folder."""
    cameras = example_cameras() if cameras is None else cameras
    save_example_rig(folder / "rig", cameras)
    session = folder / "session"
    derived = session / "derived"
    derived.mkdir(parents=True, exist_ok=True)
    videos = "".join(f'{c.name} = "{c.name}.mp4"\n' for c in cameras)
    session.joinpath("session.toml").write_text(
        f'rig = "../rig"\nathlete = "Invented Example ({handedness}-handed)"\nhandedness = "{handedness}"\n'
        f"height_m = {HEIGHT_M}\n[video]\n{videos}",
        encoding="utf-8",
    )
    t, xyz, position, velocity = invented_motion(handedness)
    rng = np.random.default_rng(11)
    motion, events = _example_motion(t, xyz), _example_events()
    store.save_tracks(derived / "tracks.nc", _example_tracks(motion, cameras, rng))
    store.save_points(derived / "points.nc", _example_points(motion, cameras, rng))
    store.save_motion(derived / "motion.nc", motion)
    clocks = tuple(Clock(c.name, _OFFSET_S[c.name], 0.0 if i == 0 else 0.0006) for i, c in enumerate(cameras))
    store.save_clocks(derived / "clocks.json", Clocks(cameras[0].name, clocks))
    flight = BallFlight(EVENT_TIMES_S["release"], EVENT_TIMES_S["contact"], position, velocity,
                        GRAVITY_M_S2, 0.08, 0.004)  # fmt: skip
    store.save_flight(derived / "ball_flight.json", flight)
    store.save_events(derived / "events.json", events)
    measures = example_measures(motion, events, handedness, HEIGHT_M, flight)
    store.save_measures(derived / "measures.json", measures)
    store.write_json(
        derived / "provenance.json",
        {"kind": "courtplumb provenance", "format": store.FORMAT, "made_by": "tests/support/example_result.py",
         "invented": True, "rate_hz": RATE_HZ},
    )  # fmt: skip
    for camera in cameras:
        _save_pictures(derived, camera, motion)
    _save_stills(derived, cameras, motion)
    return session
