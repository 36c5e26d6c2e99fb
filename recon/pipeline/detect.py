"""Reads the clips in pieces on several processes; finished pieces are kept, so an interrupted run resumes."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from calibration.footage import Video, picture, probe
from calibration.geometry import Camera
from calibration.video_times import AS_STAMPED, VideoTimes
from recon.assets import pose_model
from recon.keypoints import (
    MARKERS,
    ClipTracks,
    MarkerOptions,
    Mode,
    ServerPlace,
    follow,
    mode_of,
    scene_of,
    tracks_from_clips,
)
from recon.keypoints.markers import Image
from recon.pipeline.footage import digest_of, video_of
from recon.pipeline.options import METHOD, PipelineOptions, Progress
from recon.records import Tracks2D
from recon.session import Session
from recon.store import write_whole

_PIECE_S = 1.0  # a lost run repeats at most this much of each worker's clip
_GLIMPSED_PIECE_S = 30.0
_FIELDS = ("t_cam_s", "uv_px", "visibility", "marker_sigma_px", "spread_px")


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of one camera's clip, seconds since its first picture.

    at_px   a pixel on the server where it begins; None where the server's place tells
    """

    start_s: float
    stop_s: float
    at_px: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class _Piece:
    """What one worker reads at a time; every: of its pictures, each that many-th is looked at."""

    camera: str
    video: Video
    place: ServerPlace
    start_s: float
    stop_s: float | None
    every: int
    kept: Path


@dataclass(frozen=True, slots=True)
class _Search:
    """What is looked for, and with what."""

    model: Path
    markers: MarkerOptions
    mode: Mode

    @staticmethod
    def of(session: Session, options: PipelineOptions) -> _Search:
        tape = session.file.tape
        hues = (tape.tip_hue_deg, tape.throat_hue_deg, tape.butt_hue_deg, tape.ball_hue_deg)
        markers = MarkerOptions(hues_deg=hues, tolerance_deg=tape.tolerance_deg)
        model = pose_model("full" if options.variant == "full" else "heavy")
        return _Search(model, markers, mode_of(options.mode))


def detect_tracks(
    session: Session,
    cameras: Sequence[Camera],
    options: PipelineOptions,
    progress: Progress,
    spans: Mapping[str, Span] | None = None,
) -> Tracks2D:
    """2D tracks of all cameras of a session from its videos; cameras: calibrated, in the court frame.

    spans   the stretch of each camera's clip to read; the whole clips where None
    Raises BadInput for a video that cannot be read or a missing model, NotMeasurable where no person is found.
    """
    search = _Search.of(session, options)
    pieces = {
        c.name: _whole_clip(session, search, c) if spans is None else _span(session, search, c, spans[c.name])
        for c in cameras
    }
    _run(session, [p for own in pieces.values() for p in own], search, options, progress)
    clips = {}
    for name, own in pieces.items():
        seen = _joined([_load(p.kept) for p in own])
        seen = seen if spans is None else _within(seen, spans[name])
        clips[name] = (probe(own[0].video).size_px, seen)
    return tracks_from_clips(
        clips,
        f"pose landmark model, {options.variant}, {search.mode.name} mode; tape and ball by colour",
        search.mode.name,
    )


def glimpse(
    session: Session, cameras: Sequence[Camera], options: PipelineOptions, progress: Progress, looks_hz: float
) -> dict[str, ClipTracks]:
    """What a few looks a second see of each whole clip: cheap, and enough to tell when somebody serves.

    Raises BadInput for a video that cannot be read or a missing model.
    """
    search = replace(_Search.of(session, options), mode=mode_of("quick"))
    pieces = {c.name: _glimpsed_clip(session, search, c, looks_hz) for c in cameras}
    _run(session, [p for own in pieces.values() for p in own], search, options, progress)
    return {name: _joined([_load(p.kept) for p in own]) for name, own in pieces.items()}


def _place(session: Session, camera: Camera) -> ServerPlace:
    at = session.file.server.get(camera.name)
    return ServerPlace(camera, None if at is None else np.array(at))


def _whole_clip(session: Session, search: _Search, camera: Camera) -> list[_Piece]:
    video, place = video_of(session, camera.name), _place(session, camera)
    duration = probe(video).duration_s or _PIECE_S
    # a pixel on the server holds for the clip's beginning: from there the clip is followed in one go
    count = 1 if place.at_px is not None else max(1, round(duration / _PIECE_S))
    edges = [duration * k / count for k in range(count)]
    return _pieces(session, search, video, place, [*edges, None])


def _span(session: Session, search: _Search, camera: Camera, span: Span) -> list[_Piece]:
    """Whole seconds of the clip, so that stretches that overlap share what was read."""
    video = video_of(session, camera.name)
    place = ServerPlace(camera, None if span.at_px is None else np.array(span.at_px))
    edges: list[float | None]
    if place.at_px is not None:
        edges = [span.start_s, span.stop_s]
    else:
        edges = list(np.arange(np.floor(span.start_s), np.ceil(span.stop_s) + 1, _PIECE_S))
    return _pieces(session, search, video, place, edges, "at{start:09.2f}")


def _glimpsed_clip(session: Session, search: _Search, camera: Camera, looks_hz: float) -> list[_Piece]:
    video, place = video_of(session, camera.name), _place(session, camera)
    head = probe(video)
    every = max(1, round((head.nominal_fps or looks_hz) / looks_hz))
    count = 1 if place.at_px is not None else max(1, round((head.duration_s or 0.0) / _GLIMPSED_PIECE_S))
    edges = [_GLIMPSED_PIECE_S * k for k in range(count)]
    return _pieces(session, search, video, place, [*edges, None], f"every{every}-" + "{k:03d}", every)


def _pieces(
    session: Session,
    search: _Search,
    video: Video,
    place: ServerPlace,
    edges: Sequence[float | None],
    part: str = "{k:03d}",
    every: int = 1,
) -> list[_Piece]:
    """Pieces between edges. Their file name carries what they depend on, the court's place among it."""
    name = place.camera.name
    content = f"{digest_of(video.path)[:16]}-{digest_of(search.model)[:8]}"
    key = f"{content}-{_digest(search.markers, search.mode, place, video.times)}-{METHOD}"
    return [
        _Piece(name, video, place, start, stop, every, session.cache / f"{name}-{key}-{tag}.npz")
        for k, (start, stop) in enumerate(pairwise(edges))
        if start is not None and (tag := part.format(k=k, start=start))
    ]


def _digest(markers: MarkerOptions, mode: Mode, place: ServerPlace, times: VideoTimes) -> str:
    """The place coarsely: a calibration that is a little better need not look at all pixels again."""
    seen = (place.camera.centre_m().round(1), place.camera.cam_from_world.R.round(2), place.at_px)
    slowed = () if times == AS_STAMPED else (times,)
    return hashlib.sha256(repr((markers, mode, seen, *slowed)).encode()).hexdigest()[:8]


def _run(
    session: Session, pieces: list[_Piece], search: _Search, options: PipelineOptions, progress: Progress
) -> None:
    todo = [p for p in pieces if not p.kept.is_file()]
    if not todo:
        return
    label = "looking for serves" if todo[0].every > 1 else "finding player, racket and ball"
    scenes = {name: _scene(session, name) for name in {p.camera for p in todo}}
    # spawned, not forked: the model's library has threads of its own, which a fork would freeze
    context = multiprocessing.get_context("spawn")
    progress(label, 0, len(todo))
    with ProcessPoolExecutor(min(options.workers, len(todo)), context, initializer=_quiet) as pool:
        futures: dict[Future[ClipTracks], _Piece] = {
            pool.submit(_follow_piece, scenes[p.camera], search, p): p for p in todo
        }
        try:
            for done, future in enumerate(as_completed(futures), start=1):
                _save(futures[future].kept, future.result())
                progress(label, done, len(todo))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _scene(session: Session, camera: str) -> Image:
    """The empty scene of a clip, kept: every serve of a long clip needs it."""
    video = video_of(session, camera)
    kept = session.cache / f"{camera}-{digest_of(video.path)[:16]}-scene-{METHOD}.png"
    if kept.is_file():
        return picture(kept)
    scene = scene_of(video)
    done, data = cv2.imencode(".png", scene)
    if done:
        write_whole(kept, lambda part: part.write_bytes(data.tobytes()))
    return scene


def _quiet() -> None:
    """The model's library writes dozens of lines about itself to the error stream of every worker."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def _follow_piece(scene: Image, search: _Search, piece: _Piece) -> ClipTracks:
    return follow(
        piece.video,
        search.model,
        scene,
        search.markers,
        search.mode,
        piece.place,
        start_s=piece.start_s,
        stop_s=piece.stop_s,
        every=piece.every,
    )


def _within(clip: ClipTracks, span: Span) -> ClipTracks:
    kept = (clip.t_cam_s >= span.start_s) & (clip.t_cam_s < span.stop_s)
    return ClipTracks(*(getattr(clip, f)[kept] for f in _FIELDS))


def _save(path: Path, clip: ClipTracks) -> None:
    def write(part: Path) -> None:
        with part.open("wb") as file:
            np.savez_compressed(file, **{f: getattr(clip, f) for f in _FIELDS})

    write_whole(path, write)


def _load(path: Path) -> ClipTracks:
    with np.load(path) as data:
        return ClipTracks(*(data[f] for f in _FIELDS))


def _joined(parts: list[ClipTracks]) -> ClipTracks:
    assert all(part.marker_sigma_px.shape[1] == len(MARKERS) for part in parts)
    return ClipTracks(*(np.concatenate([getattr(part, f) for part in parts]) for f in _FIELDS))
