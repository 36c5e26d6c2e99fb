"""Reads the clips in pieces on several processes; finished pieces are kept, so an interrupted run resumes."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, as_completed
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.errors import NotMeasurable
from calibration.footage import begins_s, probe
from calibration.geometry import Camera
from calibration.provenance import content_hash
from recon.assets import pose_model
from recon.flight import BALL_KINDS, USUAL_KIND
from recon.keypoints import (
    MARKERS,
    ClipTracks,
    ServerPlace,
    Wanted,
    candidates_of,
    mode_of,
    tracks_from_clips,
)
from recon.keypoints.markers import Image
from recon.pipeline.crew import Clip, Crew, Known, find_scene, read_again, read_piece
from recon.pipeline.footage import as_stamped
from recon.pipeline.options import METHOD, PipelineOptions, Progress
from recon.pipeline.reading import CLIP_FIELDS, load_clip, markers_of, save_clip
from recon.pipeline.whom import whom_to_follow
from recon.records import BallCandidates, Tracks2D
from recon.session import Session

_PIECE_S = 2.0  # a lost run repeats at most this much of each worker's clip; each finds the player anew
_LABEL = "finding player, racket and ball"


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What was seen in all clips of a session. who: a sentence where the server was told from others, or ""."""

    read: Mapping[str, Clip]
    clips: Mapping[str, ClipTracks]
    who: str = ""
    variant: str = "heavy"

    def tracks(self) -> Tracks2D:
        """2D tracks of all cameras. Raises NotMeasurable where a camera shows no person."""
        mode = next(iter(self.read.values())).mode.name
        sized = {name: (probe(self.read[name].video).size_px, clip) for name, clip in self.clips.items()}
        source = f"pose landmark model, {self.variant}, {mode} mode; tape and ball by colour"
        return tracks_from_clips(sized, source, mode)

    def candidates(self) -> dict[str, BallCandidates]:
        """By camera: every patch that may be the ball, in the frames of the tracks."""
        return {name: candidates_of(clip.balls) for name, clip in self.clips.items() if clip.balls is not None}


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

    at_first  while they start; what it raises ends the reading before it begins
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
) -> Found:
    """What all clips of a session show of its server; cameras: calibrated, in the court frame.

    beside: what this process does while others read.

    Raises BadInput for a video that cannot be read or a missing model, NotMeasurable where two people may be
    the server.
    """
    kind = BALL_KINDS[session.file.serve.ball or USUAL_KIND]
    markers = markers_of(session.file.tape, kind.hues_deg)
    model = pose_model("full" if options.variant == "full" else "heavy")
    mode = mode_of(options.mode)
    read = {c.name: Clip(as_stamped(session, c.name), model, markers, mode, ServerPlace(c)) for c in cameras}
    reading, beside = _Reading(session, read), beside or Beside()
    with Crew(options.workers) as crew:
        new = reading.new()
        if new:
            crew.call()
        beside.at_first()
        reading.ask_scenes(new, crew)
        known, who = whom_to_follow(session, read, reading.keys, crew)
        try:
            clips = reading.pieces(known, crew, progress, options.workers, beside.at_last)
        except NotMeasurable:
            if any(own.course for own in known.values()):
                raise
            # somebody came by later: whom the first frame did not have to tell from the server
            known, who = whom_to_follow(session, read, reading.keys, crew, at_once=False)
            clips = reading.pieces(known, crew, progress, options.workers, beside.at_last)
    return Found(read, clips, who, options.variant)


def look_again_at(
    session: Session,
    found: Found,
    wanted: Mapping[str, tuple[Wanted, ...]],
    options: PipelineOptions,
    progress: Progress,
) -> dict[str, ClipTracks]:
    """What a second look shows in the wanted frames of each camera (at stamped times). Raises as above."""
    reading = _Reading(session, found.read)
    with Crew(options.workers) as crew:
        return reading.again({name: own for name, own in wanted.items() if own}, crew, progress)


class _Reading:
    """The clips of one session: what of them is kept, and how the rest is read."""

    def __init__(self, session: Session, read: Mapping[str, Clip]) -> None:
        self._read, self._folder = read, session.derived / "cache"
        self._scenes: dict[str, Future[Image]] = {}
        self.keys = {name: _key(clip) for name, clip in read.items()}

    def new(self) -> set[str]:
        """Clips of which nothing is kept."""
        return {n for n, key in self.keys.items() if not any(self._folder.glob(f"{n}-{key}-*.npz"))}

    def pieces(
        self,
        known: Mapping[str, Known],
        crew: Crew,
        progress: Progress,
        workers: int,
        at_last: Callable[[], object],
    ) -> dict[str, ClipTracks]:
        """All clips followed, piece by piece; at_last: done once one of the workers has nothing left."""
        pieces = {name: self._pieces(name, known[name]) for name in self._read}
        todo = [p for own in pieces.values() for p in own if not p.kept.is_file()]
        if todo:
            progress(_LABEL, 0, len(todo))
        scenes = self._scenes_of({p.camera for p in todo}, crew)
        asked = {
            crew.submit(
                read_piece, self._read[p.camera], scenes[p.camera], known[p.camera], p.start_s, p.stop_s
            ): p.kept
            for p in todo
        }
        _keep(asked, _LABEL, progress, {max(1, len(asked) - workers + 1): at_last})
        return {name: _joined([load_clip(p.kept) for p in own]) for name, own in pieces.items()}

    def again(
        self, wanted: Mapping[str, tuple[Wanted, ...]], crew: Crew, progress: Progress
    ) -> dict[str, ClipTracks]:
        """Second looks, each camera's kept as a whole."""
        kept = {
            name: self._folder / f"{name}-{self.keys[name]}-again-{_short(repr(own))}.npz"
            for name, own in wanted.items()
        }
        todo = {name for name in wanted if not kept[name].is_file()}
        scenes = self._scenes_of(todo, crew)
        asked = {
            crew.submit(read_again, self._read[name], scenes[name], wanted[name]): kept[name]
            for name in sorted(todo)
        }
        _keep(asked, "looking again where the player was lost", progress)
        return {name: load_clip(path) for name, path in kept.items()}

    def ask_scenes(self, names: set[str], crew: Crew) -> None:
        """Have the scenes of some clips found: what is needed whomever they show."""
        for name in sorted(names - set(self._scenes)):
            self._scenes[name] = crew.submit(find_scene, self._read[name])

    def _scenes_of(self, names: set[str], crew: Crew) -> dict[str, Image]:
        self.ask_scenes(names, crew)
        return {name: self._scenes[name].result() for name in names}

    def _pieces(self, camera: str, known: Known) -> list[_Piece]:
        """The pieces of one clip. Their file name carries what they depend on."""
        video = self._read[camera].video
        duration = probe(video).duration_s or _PIECE_S
        count = max(1, round(duration / _PIECE_S))
        edges = [begins_s(video) + duration * k / count for k in range(count)]
        course = known.course
        led = "" if course is None else f"-{_short(repr((course.t_cam_s.tolist(), course.boxes_px.tolist())))}"
        return [
            _Piece(camera, k, start, edges[k + 1] if k + 1 < count else None,
                   self._folder / f"{camera}-{self.keys[camera]}{led}-{k:03d}.npz")
            for k, start in enumerate(edges)
        ]  # fmt: skip


def _keep(
    asked: Mapping[Future[ClipTracks], Path],
    label: str,
    progress: Progress,
    then: Mapping[int, Callable[[], object]] | None = None,
) -> None:
    """Writes each result as it comes; then: what to do after so many."""
    for done, future in enumerate(as_completed(asked), start=1):
        save_clip(asked[future], future.result())
        progress(label, done, len(asked))
        if then and done in then:
            then[done]()


def _key(clip: Clip) -> str:
    """What looking at a clip depends on, the court's place among it.

    That coarsely: a calibration that is a little better need not look at all pixels again.
    """
    camera = clip.place.camera
    seen = (camera.centre_m().round(1), camera.cam_from_world.R.round(2))
    stretch = () if clip.video.span_s is None else (clip.video.span_s,)
    digest = _short(repr((clip.markers, clip.mode, seen, *stretch)))
    return f"{content_hash(clip.video.path)[:16]}-{content_hash(clip.model)[:8]}-{digest}-{METHOD}"


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def _joined(parts: list[ClipTracks]) -> ClipTracks:
    assert all(part.marker_sigma_px.shape[1] == len(MARKERS) for part in parts)
    return ClipTracks(*(np.concatenate([getattr(part, f) for part in parts]) for f in CLIP_FIELDS))
