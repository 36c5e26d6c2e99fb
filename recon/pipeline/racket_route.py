"""Clicked and imported points of the racket: read, filled in between from the video, joined to detected
ones."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from calibration.checks import Array
from calibration.errors import BadInput
from calibration.footage import Video, frames, probe, stamps_s
from calibration.geometry import Camera
from calibration.own import load_any_rig
from recon.instants import points_at_instants
from recon.keypoints import (
    FillOptions,
    Known,
    Points,
    contradicting_fill,
    fill_between,
    join_points,
    noise_of_filled,
    with_frames,
)
from recon.motion.between import without_pixels
from recon.pipeline.footage import timed
from recon.racket_points import FILE_NAME, CameraFrames, Filmed, Placed, placed, read_racket_points
from recon.records import CameraTracks, Clocks, NoiseShape, Tracks2D
from recon.result import Result
from recon.session import Session

Frames = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class RacketRoute:
    """What came of a session's racket points.

    filled  camera → point → (T,) frames of its tracks whose place was filled in
    told    sentences for the record: which way gave which points
    """

    filled: Mapping[str, Mapping[str, Frames]] = field(default_factory=dict)
    told: tuple[str, ...] = ()


def racket_file(session: Session) -> Path:
    """Where a session's clicked racket points are, if there are any."""
    return session.folder / FILE_NAME


def camera_frames(session: Session, camera: Camera, seen: CameraTracks | None = None) -> CameraFrames:
    """The frames of a camera: its video's, or those of own keypoints where there is none.

    Raises BadInput where there is neither, or the video cannot be read.
    """
    if camera.name in session.file.video:
        video = timed(session, camera.name).video
        t = video.times.true(stamps_s(video.path))
        return CameraFrames(camera.name, probe(video.path).size_px, np.asarray(t), video.span_s)
    if seen is None:
        raise BadInput(f"{session.folder}: camera {camera.name} has no video to click in")
    return CameraFrames(camera.name, camera.size_px, seen.t_cam_s, numbered=False)


def filmed_cameras(result: Result) -> dict[str, Filmed]:
    """The videos of a measured session, with their frames. Raises BadInput where one cannot be read."""
    session = result.session
    return {
        c.name: Filmed(timed(session, c.name).video, camera_frames(session, c))
        for c in result.rig.cameras
        if c.name in session.file.video
    }


def with_racket_points(
    session: Session, cameras: Sequence[Camera], tracks: Tracks2D, options: FillOptions | None = None
) -> tuple[Tracks2D, RacketRoute]:
    """The tracks with the racket points of the session's file, filled in between where there is a video.

    Without a file they are as they were. Raises BadInput naming the file's line where it is at fault.
    """
    path = racket_file(session)
    if not path.is_file():
        return tracks, RacketRoute()
    options = options or FillOptions()
    rows = read_racket_points(path)
    unused = [n for n in load_any_rig(session.rig_path).names if n not in {c.name for c in cameras}]
    within = {c.name: camera_frames(session, c, tracks.of(c.name)) for c in cameras}
    points = placed(path, rows, within, unused)
    views: list[CameraTracks] = []
    filled: dict[str, dict[str, Frames]] = {}
    told: list[str] = []
    for seen in tracks.cameras:
        own = [p for p in points if p.camera == seen.camera and p.point in tracks.keypoints]
        if not own:
            views.append(seen)
            continue
        known = _by_point(own)
        video = timed(session, seen.camera).video if seen.camera in session.file.video else None
        ways = _filled(video, within[seen.camera], known, options) if video is not None else {}
        view, filled[seen.camera], said = _joined(seen, tracks.keypoints, known, ways)
        views.append(view)
        told += said
    joined = replace(
        tracks, cameras=tuple(views), noise=_noise(tracks, views, filled, _spacing(points, options))
    )
    return joined, RacketRoute(filled, tuple(told))


def _by_point(own: Sequence[Placed]) -> dict[str, Points]:
    """One camera's clicks, point by point, in order of time."""
    out = {}
    for name in dict.fromkeys(p.point for p in own):
        rows = sorted((p for p in own if p.point == name), key=lambda p: p.t_s)
        out[name] = Points(
            *(np.array(x) for x in zip(*((p.t_s, p.uv_px, p.sigma_px) for p in rows), strict=True))
        )
    return out


def _joined(
    seen: CameraTracks, keypoints: Sequence[str], known: Mapping[str, Points], ways: Mapping[str, Points]
) -> tuple[CameraTracks, dict[str, Frames], list[str]]:
    view = with_frames(seen, np.concatenate([p.t_s for p in (*known.values(), *ways.values())]))
    filled, told = {}, []
    for name, clicked in known.items():
        nothing = Points(np.empty(0), np.empty((0, 2)), np.empty(0))
        column = keypoints.index(name)
        joined = join_points(view, column, clicked, ways.get(name, nothing))
        view, filled[name] = joined.tracks, joined.filled
        count = (~np.isnan(view.sigma_px[:, column])).sum() - joined.clicked.sum() - joined.filled.sum()
        words = name.replace("_", " ")
        told.append(
            f"{words} in {seen.camera}: {joined.clicked.sum()} frames from {FILE_NAME}, {joined.filled.sum()} "
            f"filled in between, {count} from tape"
        )
        if joined.tape_left_out:
            told.append(f"{words} in {seen.camera}: what has the tape's colour lies elsewhere and was left out")
    return view, filled, told


def _filled(
    video: Video, within: CameraFrames, known: Mapping[str, Points], options: FillOptions
) -> dict[str, Points]:
    """What can be followed between neighbouring clicks of each point, reading the video once."""
    gaps = [
        _Gap(name, points, i)
        for name, points in known.items()
        for i, (a, b) in enumerate(pairwise(points.t_s))
        if 1.5 * within.step_s < b - a <= options.reach_s
    ]
    found: dict[str, list[tuple[Array, Array, Array]]] = {}
    for gap, times, pictures in _stretches(video, sorted(gaps, key=lambda g: g.stop_s), within.step_s):
        way = fill_between(pictures, gap.guess(times), gap.known(0), gap.known(1), options)
        there = ~np.isnan(way.sigma_px)
        found.setdefault(gap.name, []).append((times[there], way.uv_px[there], way.sigma_px[there]))
    return {n: Points(*(np.concatenate(x) for x in zip(*own, strict=True))) for n, own in found.items()}


@dataclass(frozen=True, slots=True, eq=False)
class _Gap:
    """From the `first`th click of a point to the next."""

    name: str
    points: Points
    first: int

    @property
    def start_s(self) -> float:
        return float(self.points.t_s[self.first])

    @property
    def stop_s(self) -> float:
        return float(self.points.t_s[self.first + 1])

    def known(self, end: int) -> Known:
        k = self.first + end
        return Known(self.points.uv_px[k], float(self.points.sigma_px[k]))

    def guess(self, t_s: Array) -> Array:
        """(N, 2) a cubic through this click, the next, and one beyond each, as far as there are."""
        near = slice(max(self.first - 1, 0), self.first + 3)
        return np.asarray(CubicSpline(self.points.t_s[near], self.points.uv_px[near])(t_s))


def _stretches(
    video: Video, gaps: Sequence[_Gap], step_s: float
) -> Iterator[tuple[_Gap, Array, list[NDArray[np.uint8]]]]:
    """Each gap with its frame times and grey pictures; no more are held than the gaps under way need."""
    waiting = deque(gaps)
    held: deque[tuple[float, NDArray[np.uint8]]] = deque()
    if not waiting:
        return
    first = min(g.start_s for g in waiting)
    for frame in frames(video, start_s=first - step_s / 2, stop_s=waiting[-1].stop_s + step_s / 2):
        held.append((frame.t_s, np.asarray(cv2.cvtColor(frame.image_bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8)))
        while waiting and frame.t_s >= waiting[0].stop_s - step_s / 2:
            gap = waiting.popleft()
            own = [(t, p) for t, p in held if gap.start_s - step_s / 2 < t < gap.stop_s + step_s / 2]
            yield gap, np.array([t for t, _ in own]), [p for _, p in own]
        if not waiting:
            return
        oldest = min(g.start_s for g in waiting) - step_s
        while held and held[0][0] < oldest:
            held.popleft()


def _spacing(points: Sequence[Placed], options: FillOptions) -> dict[str, float]:
    """Usual time from click to click of each point, seconds, among stretches that are filled."""
    out: dict[str, list[float]] = {}
    for a, b in pairwise(points):
        if (a.camera, a.point) == (b.camera, b.point) and b.t_s - a.t_s <= options.reach_s:
            out.setdefault(a.point, []).append(b.t_s - a.t_s)
    return {name: float(np.median(gaps)) for name, gaps in out.items()}


def _noise(
    tracks: Tracks2D,
    views: Sequence[CameraTracks],
    filled: Mapping[str, Mapping[str, Frames]],
    between_s: Mapping[str, float],
) -> tuple[NoiseShape, ...]:
    out = list(tracks.noise)
    for name, spacing in between_s.items():
        if name in tracks.keypoints:
            p = tracks.index(name)
            seen = sum(int((~np.isnan(v.sigma_px[:, p])).sum()) for v in views)
            many = sum(int(own[name].sum()) for own in filled.values() if name in own)
            if many:
                out[p] = noise_of_filled(name, seen, many, spacing)
    return tuple(out)


def keep_rigid(
    session: Session, cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, route: RacketRoute
) -> tuple[Tracks2D, tuple[str, ...]]:
    """Tracks without filled places that contradict the racket's lengths, and sentences about these."""
    if not any(own.any() for points in route.filled.values() for own in points.values()):
        return tracks, ()
    length = session.file.serve.racket_length_m
    known = {} if length is None else {("racket_tip", "racket_butt"): length}
    points = points_at_instants(cameras, tracks, clocks)
    kept, dropped = without_pixels(tracks, contradicting_fill(tracks, clocks, points, route.filled, known))
    return kept, tuple(f"{d.sentence()}, filled in" for d in dropped)
