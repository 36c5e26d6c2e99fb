"""Clicked and imported points of the racket: read, filled in between from the video, joined to detected
ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from calibration.errors import BadInput
from calibration.footage import probe, stamps_s
from calibration.geometry import Camera
from calibration.own import load_any_rig
from calibration.provenance import content_hash
from recon.instants import points_at_instants
from recon.keypoints import (
    FillOptions,
    Points,
    contradicting_fill,
    join_points,
    noise_of_filled,
    with_frames,
)
from recon.motion.between import without_pixels
from recon.pipeline.footage import timed
from recon.pipeline.racket_fill import NOTHING, FilledIn, Frames, RacketRoute, filled_in
from recon.pipeline.second_look import Checked
from recon.racket_points import FILE_NAME, CameraFrames, Filmed, Placed, placed, read_racket_points
from recon.records import EDGES, CameraTracks, Clocks, NoiseShape, Tracks2D, usual_noise
from recon.result import CLICKS_INPUT, Result
from recon.session import Session


def racket_file(session: Session) -> Path:
    """Where a session's clicked racket points are, if there are any."""
    return session.folder / FILE_NAME


def racket_inputs(session: Session) -> dict[str, str]:
    """What the results depend on besides: the file's hash, where there is one."""
    path = racket_file(session)
    return {CLICKS_INPUT: content_hash(path)} if path.is_file() else {}


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


def check_racket_file(session: Session, cameras: Sequence[Camera]) -> None:
    """Refuse a file that is at fault before the videos are searched, as far as these tell; as below."""
    path = racket_file(session)
    if path.is_file():
        filmed = [c for c in cameras if c.name in session.file.video]
        others = [n for n in load_any_rig(session.rig_path).names if n not in {c.name for c in filmed}]
        frames = {c.name: camera_frames(session, c) for c in filmed}
        placed(path, read_racket_points(path), frames, others)


def with_racket_points(
    session: Session, cameras: Sequence[Camera], checked: Checked, options: FillOptions | None = None
) -> Checked:
    """The tracks with the racket points of the session's file, filled in between where there is a video.

    Without a file they are as they were. Raises BadInput naming the file's line where it is at fault.
    """
    path, found = racket_file(session), checked.tracks
    if not path.is_file():
        return checked
    options = options or FillOptions()
    rows = read_racket_points(path)
    unused = [n for n in load_any_rig(session.rig_path).names if n not in {c.name for c in cameras}]
    within = {c.name: camera_frames(session, c, found.of(c.name)) for c in cameras}
    points = placed(path, rows, within, unused)
    tracks = _with_room(found, {p.point for p in points})
    views: list[CameraTracks] = []
    filled: dict[str, dict[str, Frames]] = {}
    told: list[str] = []
    for seen in tracks.cameras:
        own = [p for p in points if p.camera == seen.camera]
        if not own:
            views.append(seen)
            continue
        known = _by_point(own)
        video = timed(session, seen.camera).video if seen.camera in session.file.video else None
        ways = filled_in(video, within[seen.camera], known, options)
        view, filled[seen.camera], said = _joined(seen, tracks.keypoints, known, ways)
        views.append(view)
        told += said
    joined = replace(
        tracks, cameras=tuple(views), noise=_noise(tracks, views, filled, _spacing(points, options))
    )
    return replace(checked, tracks=joined, racket=RacketRoute(filled, tuple(told)))


def _with_room(tracks: Tracks2D, names: AbstractSet[str]) -> Tracks2D:
    """The tracks with columns for head edges where one is told and no tape showed any."""
    if names <= set(tracks.keypoints):
        return tracks
    cameras = tuple(
        replace(
            c,
            uv_px=np.pad(c.uv_px, ((0, 0), (0, len(EDGES)), (0, 0)), constant_values=np.nan),
            sigma_px=np.pad(c.sigma_px, ((0, 0), (0, len(EDGES))), constant_values=np.nan),
        )
        for c in tracks.cameras
    )
    noise = (*tracks.noise, *(usual_noise(name) for name in EDGES))
    return Tracks2D((*tracks.keypoints, *EDGES), cameras, tracks.source, noise)


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
    seen: CameraTracks, keypoints: Sequence[str], known: Mapping[str, Points], ways: Mapping[str, FilledIn]
) -> tuple[CameraTracks, dict[str, Frames], list[str]]:
    times = [p.t_s for p in (*known.values(), *(way.all() for way in ways.values()))]
    view = with_frames(seen, np.concatenate(times))
    filled, told = {}, []
    for name, clicked in known.items():
        column, way = keypoints.index(name), ways.get(name, FilledIn(NOTHING, NOTHING))
        joined = join_points(view, column, clicked, way.all())
        view, filled[name] = joined.tracks, joined.filled
        count = (~np.isnan(view.sigma_px[:, column])).sum() - joined.clicked.sum() - joined.filled.sum()
        words = name.replace("_", " ")
        told.append(
            f"{words} in {seen.camera}: {joined.clicked.sum()} frames from {FILE_NAME}, "
            f"{len(way.followed.t_s)} followed in between, {len(way.on_curve.t_s)} on the curve through them, "
            f"{count} from tape"
        )
        if joined.tape_left_out:
            told.append(f"{words} in {seen.camera}: what has the tape's colour lies elsewhere and was left out")
    return view, filled, told


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
