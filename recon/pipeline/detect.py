"""Reads the clips in pieces on several processes; finished pieces are kept, so an interrupted run resumes."""

from __future__ import annotations

import hashlib
import multiprocessing
import multiprocessing.context
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from calibration.footage import Video, begins_s, probe
from calibration.geometry import Camera
from calibration.provenance import content_hash
from recon.assets import pose_model
from recon.keypoints import (
    MARKERS,
    ClipTracks,
    MarkerOptions,
    Mode,
    PoseReader,
    Seen,
    ServerPlace,
    first_sight,
    follow,
    mode_of,
    scene_of,
    tracks_from_clips,
)
from recon.keypoints.markers import Image
from recon.pipeline.footage import as_stamped
from recon.pipeline.options import METHOD, PipelineOptions, Progress
from recon.records import Tracks2D
from recon.session import Session
from recon.store import write_whole

_PIECE_S = 1.0  # a lost run repeats at most this much of each worker's clip
_FIELDS = ("t_cam_s", "uv_px", "visibility", "marker_sigma_px", "spread_px")


@dataclass(frozen=True, slots=True, eq=False)
class _Clip:
    """What all pieces of a clip are read with. Goes to the reading processes."""

    video: Video
    model: Path
    markers: MarkerOptions
    mode: Mode
    place: ServerPlace


@dataclass(frozen=True, slots=True, eq=False)
class _Beginning:
    """What a clip is known by before it is read: the empty scene, and the server in its first frame."""

    scene: Image
    server: Seen | None


@dataclass(frozen=True, slots=True)
class _Piece:
    camera: str
    number: int
    start_s: float
    stop_s: float | None
    kept: Path


@dataclass(frozen=True, slots=True)
class Beside:
    """What the main process does while others read.

    at_first  once they have been started; what it raises ends the reading
    at_last   once one of them has nothing left to do; not called where nothing has to be read
    """

    at_first: Callable[[], object] = lambda: None
    at_last: Callable[[], object] = lambda: None


def detect_tracks(
    session: Session,
    cameras: Sequence[Camera],
    options: PipelineOptions,
    progress: Progress,
    beside: Beside | None = None,
) -> Tracks2D:
    """2D tracks of all cameras of a session from its videos; cameras: calibrated, in the court frame.

    beside: what this process does while others read.
    Raises BadInput for a video that cannot be read or a missing model, NotMeasurable where no person is found.
    """
    tape = session.file.tape
    hues = (tape.tip_hue_deg, tape.throat_hue_deg, tape.butt_hue_deg, tape.ball_hue_deg)
    markers = MarkerOptions(hues_deg=hues, tolerance_deg=tape.tolerance_deg)
    model = pose_model("full" if options.variant == "full" else "heavy")
    mode = mode_of(options.mode)
    names = session.camera_names
    sizes = {name: probe(session.video_path(name)).size_px for name in names}
    clips = {
        c.name: _Clip(as_stamped(session, c.name), model, markers, mode, _place(session, c)) for c in cameras
    }
    pieces = {name: _pieces(clips[name], session.derived / "cache") for name in names}
    todo = [p for name in names for p in pieces[name] if not p.kept.is_file()]
    beside = beside or Beside()
    if todo:
        _run(clips, todo, options, progress, beside)
    else:
        beside.at_first()
    found = {name: (sizes[name], _joined([_load(p.kept) for p in pieces[name]])) for name in names}
    return tracks_from_clips(
        found, f"pose landmark model, {options.variant}, {mode.name} mode; tape and ball by colour", mode.name
    )


def _place(session: Session, camera: Camera) -> ServerPlace:
    at = session.file.server.get(camera.name)
    return ServerPlace(camera, None if at is None else np.array(at))


def _pieces(clip: _Clip, folder: Path) -> list[_Piece]:
    """The pieces of one clip. Their file name carries what they depend on, the court's place among it."""
    camera = clip.place.camera.name
    duration = probe(clip.video).duration_s or _PIECE_S
    # a pixel on the server holds for the clip's beginning: from there the clip is followed in one go
    count = 1 if clip.place.at_px is not None else max(1, round(duration / _PIECE_S))
    edges = [begins_s(clip.video) + duration * k / count for k in range(count)]
    key = f"{content_hash(clip.video.path)[:16]}-{content_hash(clip.model)[:8]}-{_digest(clip)}-{METHOD}"
    return [
        _Piece(
            camera, k, start, edges[k + 1] if k + 1 < count else None, folder / f"{camera}-{key}-{k:03d}.npz"
        )
        for k, start in enumerate(edges)
    ]


def _digest(clip: _Clip) -> str:
    """The place coarsely: a calibration that is a little better need not look at all pixels again."""
    camera = clip.place.camera
    seen = (camera.centre_m().round(1), camera.cam_from_world.R.round(2), clip.place.at_px)
    stretch = () if clip.video.span_s is None else (clip.video.span_s,)
    return hashlib.sha256(repr((clip.markers, clip.mode, seen, *stretch)).encode()).hexdigest()[:8]


def _run(
    clips: Mapping[str, _Clip],
    todo: Sequence[_Piece],
    options: PipelineOptions,
    progress: Progress,
    beside: Beside,
) -> None:
    label = "finding player, racket and ball"
    progress(label, 0, len(todo))
    with ProcessPoolExecutor(min(options.workers, len(todo)), _context(), initializer=_quiet) as pool:
        wanted = {p.camera: clips[p.camera] for p in todo}
        begun = {pool.submit(_begin, clip): name for name, clip in wanted.items()}
        reading: dict[Future[ClipTracks], _Piece] = {}
        try:
            beside.at_first()
            for found in as_completed(begun):
                name = begun[found]
                pieces = [p for p in todo if p.camera == name]
                reading |= {pool.submit(_read, clips[name], found.result(), p): p for p in pieces}
            for done, future in enumerate(as_completed(reading), start=1):
                _save(reading[future].kept, future.result())
                progress(label, done, len(todo))
                if done == max(1, len(todo) - options.workers + 1):
                    beside.at_last()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _context() -> multiprocessing.context.BaseContext:
    """How reading processes start.

    Not as forks of this process: the model's library has threads of its own, which a fork would freeze. Where
    it can be, as forks of one that has loaded the program and has no threads yet: so it is loaded only once.
    """
    if sys.platform != "linux":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    return context


def _quiet() -> None:
    """The model's library writes dozens of lines about itself to the error stream of every worker."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


@cache
def _reader(model: Path) -> PoseReader:
    """One for all pieces that a process reads: loading the model takes as long as four frames."""
    return PoseReader(model)


def _begin(clip: _Clip) -> _Beginning:
    server = first_sight(_reader(clip.model), clip.video, clip.mode, clip.place)
    return _Beginning(scene_of(clip.video), server)


def _read(clip: _Clip, beginning: _Beginning, piece: _Piece) -> ClipTracks:
    return follow(
        clip.video,
        _reader(clip.model),
        beginning.scene,
        clip.markers,
        clip.mode,
        clip.place,
        before=beginning.server,
        start_s=piece.start_s,
        stop_s=piece.stop_s,
    )


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
