"""Reads the clips in pieces on several processes; finished pieces are kept, so an interrupted run resumes."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.footage import probe
from calibration.geometry import Camera
from calibration.provenance import content_hash
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
from recon.pipeline.options import METHOD, PipelineOptions, Progress
from recon.records import Tracks2D
from recon.session import Session
from recon.store import write_whole

_PIECE_S = 1.0  # a lost run repeats at most this much of each worker's clip
_FIELDS = ("t_cam_s", "uv_px", "visibility", "marker_sigma_px", "spread_px")


@dataclass(frozen=True, slots=True)
class _Piece:
    camera: str
    number: int
    start_s: float
    stop_s: float | None
    kept: Path


def detect_tracks(
    session: Session, cameras: Sequence[Camera], options: PipelineOptions, progress: Progress
) -> Tracks2D:
    """2D tracks of all cameras of a session from its videos; cameras: calibrated, in the court frame.

    Raises BadInput for a video that cannot be read or a missing model, NotMeasurable where no person is found.
    """
    tape = session.file.tape
    hues = (tape.tip_hue_deg, tape.throat_hue_deg, tape.butt_hue_deg, tape.ball_hue_deg)
    markers = MarkerOptions(hues_deg=hues, tolerance_deg=tape.tolerance_deg)
    model = pose_model("full" if options.variant == "full" else "heavy")
    mode = mode_of(options.mode)
    names = session.camera_names
    sizes = {name: probe(session.video_path(name)).size_px for name in names}
    places = {c.name: _place(session, c) for c in cameras}
    pieces = {name: _pieces(session, model, markers, mode, places[name]) for name in names}
    todo = [p for name in names for p in pieces[name] if not p.kept.is_file()]
    if todo:
        _run(session, todo, model, markers, places, options, progress)
    clips = {name: (sizes[name], _joined([_load(p.kept) for p in pieces[name]])) for name in names}
    return tracks_from_clips(
        clips, f"pose landmark model, {options.variant}, {mode.name} mode; tape and ball by colour", mode.name
    )


def _place(session: Session, camera: Camera) -> ServerPlace:
    at = session.file.server.get(camera.name)
    return ServerPlace(camera, None if at is None else np.array(at))


def _pieces(
    session: Session, model: Path, markers: MarkerOptions, mode: Mode, place: ServerPlace
) -> list[_Piece]:
    """The pieces of one clip. Their file name carries what they depend on, the court's place among it."""
    camera = place.camera.name
    video = session.video_path(camera)
    duration = probe(video).duration_s or _PIECE_S
    # a pixel on the server holds for the clip's beginning: from there the clip is followed in one go
    count = 1 if place.at_px is not None else max(1, round(duration / _PIECE_S))
    edges = [duration * k / count for k in range(count)]
    key = f"{content_hash(video)[:16]}-{content_hash(model)[:8]}-{_digest(markers, mode, place)}-{METHOD}"
    folder = session.derived / "cache"
    return [
        _Piece(
            camera, k, start, edges[k + 1] if k + 1 < count else None, folder / f"{camera}-{key}-{k:03d}.npz"
        )
        for k, start in enumerate(edges)
    ]


def _digest(markers: MarkerOptions, mode: Mode, place: ServerPlace) -> str:
    """The place coarsely: a calibration that is a little better need not look at all pixels again."""
    seen = (place.camera.centre_m().round(1), place.camera.cam_from_world.R.round(2), place.at_px)
    return hashlib.sha256(repr((markers, mode, seen)).encode()).hexdigest()[:8]


def _run(
    session: Session,
    todo: list[_Piece],
    model: Path,
    markers: MarkerOptions,
    places: Mapping[str, ServerPlace],
    options: PipelineOptions,
    progress: Progress,
) -> None:
    label = "finding player, racket and ball"
    mode = mode_of(options.mode)
    scenes = {name: scene_of(session.video_path(name)) for name in {p.camera for p in todo}}
    # spawned, not forked: the model's library has threads of its own, which a fork would freeze
    context = multiprocessing.get_context("spawn")
    progress(label, 0, len(todo))
    with ProcessPoolExecutor(min(options.workers, len(todo)), context, initializer=_quiet) as pool:
        futures: dict[Future[ClipTracks], _Piece] = {
            pool.submit(
                _follow_piece,
                session.video_path(p.camera),
                model,
                scenes[p.camera],
                markers,
                mode,
                places[p.camera],
                p,
            ): p
            for p in todo
        }
        try:
            for done, future in enumerate(as_completed(futures), start=1):
                _save(futures[future].kept, future.result())
                progress(label, done, len(todo))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _quiet() -> None:
    """The model's library writes dozens of lines about itself to the error stream of every worker."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def _follow_piece(
    video: Path,
    model: Path,
    scene: Image,
    markers: MarkerOptions,
    mode: Mode,
    place: ServerPlace,
    piece: _Piece,
) -> ClipTracks:
    return follow(video, model, scene, markers, mode, place, start_s=piece.start_s, stop_s=piece.stop_s)


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
