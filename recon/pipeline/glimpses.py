"""Long videos looked through for serves, and looked at closely where there may be one; kept as it is made.

Each camera's film is looked through piece by piece, in order, because every piece goes on with the player where
the last one left them; different cameras' films at the same time.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, as_completed, wait
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.footage import Video, begins_s, probe
from calibration.geometry import Camera
from calibration.provenance import content_hash
from recon.assets import pose_model
from recon.keypoints import (
    MARKERS,
    ClipTracks,
    Glimpse,
    GlimpseOptions,
    Looks,
    MarkerOptions,
    ServerPlace,
    Span,
    Window,
    follow,
    glimpse,
    mode_of,
    scene_of,
    tracks_from_clips,
)
from recon.pipeline.crew import Crew
from recon.pipeline.footage import timed
from recon.pipeline.options import METHOD, Progress
from recon.pipeline.reading import load_clip, markers_of, reader_of, save_arrays, save_clip
from recon.records import BODY, SOUGHT, CameraTracks
from recon.session import Session
from recon.windows import NEEDED, may_serve

_PIECE_S = 30.0  # a lost run repeats at most this much of each film
_MODE = mode_of("quick")


@dataclass(frozen=True, slots=True, eq=False)
class _Film:
    """One camera's long video, and what it is looked through with. Goes to the reading processes."""

    video: Video
    model: Path
    markers: MarkerOptions
    place: ServerPlace
    options: GlimpseOptions
    key: str

    @property
    def camera(self) -> Camera:
        return self.place.camera


@dataclass(frozen=True, slots=True)
class _Piece:
    camera: str
    span_s: Span
    kept: Path


class Films:
    """The long videos of a session. Raises BadInput where one cannot be read or the pose model is missing."""

    def __init__(self, session: Session, cameras: Sequence[Camera], workers: int, progress: Progress) -> None:
        self._films = {c.name: _film(session, c) for c in cameras}
        self._cache = session.derived / "cache"
        self._workers, self._progress = workers, progress
        self._seen: dict[str, Glimpse] = {}

    def glimpses(self) -> dict[str, Glimpse]:
        """Where the points that tell a serve were, seldom or often, all through every film."""
        pieces = {name: self._pieces(film) for name, film in self._films.items()}
        self._look_through(pieces)
        self._seen = {name: self._joined(name, own) for name, own in pieces.items()}
        return self._seen

    def server_px(self, camera: str, t_s: float) -> Array | None:
        """(2,) the hips of a server whom a person named by a pixel at the film's beginning, at a camera time.

        To a quarter of a second, as the glimpses followed them from there; None where nobody was named.
        """
        if self._films[camera].place.at_px is None or camera not in self._seen:
            return None
        seen = self._seen[camera]
        hips = seen.uv_px[:, [NEEDED.index("left_hip"), NEEDED.index("right_hip")]].mean(axis=1)
        there = ~np.isnan(hips[:, 0])
        if not there.any():
            return None
        return np.asarray(hips[there][np.abs(seen.t_s[there] - t_s).argmin()])

    def close_looks(self, wanted: Mapping[str, Sequence[Span]]) -> dict[str, list[CameraTracks | None]]:
        """Tracks of stretches of each camera's film, on its own clock; None where nobody was seen in one."""
        pieces = {name: [self._piece(name, "close", span) for span in own] for name, own in wanted.items()}
        todo = [p for own in pieces.values() for p in own if not p.kept.is_file()]
        label = "looking closely"
        if todo:
            self._progress(label, 0, len(todo))
            with Crew(min(self._workers, len(todo))) as crew:
                reading = {crew.submit(_read, self._here(p), p.span_s): p for p in todo}
                for done, future in enumerate(as_completed(reading), start=1):
                    save_clip(reading[future].kept, future.result())
                    self._progress(label, done, len(todo))
        return {name: [self._tracks(p) for p in own] for name, own in pieces.items()}

    def _here(self, piece: _Piece) -> _Film:
        """A piece's film with the server where the piece begins: the pixel told holds where the film begins."""
        film = self._films[piece.camera]
        return replace(film, place=replace(film.place, at_px=self.server_px(piece.camera, piece.span_s[0])))

    def _pieces(self, film: _Film) -> list[_Piece]:
        begins = begins_s(film.video)
        length = probe(film.video).duration_s or _PIECE_S
        count = max(1, round(length / _PIECE_S))
        edges = [begins + length * k / count for k in range(count + 1)]
        # what is going on at an edge is looked at with what went before and comes after it
        early = film.options.before_s + film.options.after_s
        return [
            self._piece(film.camera.name, "glimpses", (max(begins, low - early), high))
            for low, high in pairwise(edges)
        ]

    def _piece(self, camera: str, what: str, span_s: Span) -> _Piece:
        low, high = (round(1e3 * t) for t in span_s)
        return _Piece(
            camera, span_s, self._cache / f"{what}-{camera}-{self._films[camera].key}-{low}-{high}.npz"
        )

    def _look_through(self, pieces: Mapping[str, list[_Piece]]) -> None:
        ahead = {name: [p for p in own if not p.kept.is_file()] for name, own in pieces.items()}
        before = {name: [p for p in own if p.kept.is_file()][-1:] for name, own in pieces.items()}
        total = sum(map(len, pieces.values()))
        label = "looking for serves"
        self._progress(label, total - sum(map(len, ahead.values())), total)
        if not any(ahead.values()):
            return
        with Crew(min(self._workers, len(pieces))) as crew:
            looking: dict[Future[Looks], _Piece] = {}

            def go_on(name: str) -> None:
                if ahead[name]:
                    piece, last = ahead[name].pop(0), before[name]
                    left = _load(last[0].kept) if last and last[0].span_s[1] < piece.span_s[1] else None
                    looking[crew.submit(_look, self._films[name], piece.span_s, left)] = piece

            for name in pieces:
                go_on(name)
            while looking:
                for future in wait(looking, return_when=FIRST_COMPLETED).done:
                    piece = looking.pop(future)
                    _save(piece.kept, future.result())
                    before[piece.camera] = [piece]
                    go_on(piece.camera)
                    self._progress(label, total - len(looking) - sum(map(len, ahead.values())), total)

    def _joined(self, name: str, pieces: Sequence[_Piece]) -> Glimpse:
        looks = [_load(p.kept) for p in pieces]
        t_s, first = np.unique(np.concatenate([look.t_s for look in looks]), return_index=True)
        if not len(t_s):
            raise NotMeasurable(f"camera {name}: its film holds no pictures where it is looked at")
        uv_px = np.concatenate([look.uv_px for look in looks])[first]
        return Glimpse((pieces[0].span_s[0], pieces[-1].span_s[1]), t_s, uv_px)

    def _tracks(self, piece: _Piece) -> CameraTracks | None:
        size = self._films[piece.camera].camera.size_px
        try:
            found = tracks_from_clips({piece.camera: (size, load_clip(piece.kept))}, "close looks", _MODE.name)
        except NotMeasurable:
            return None
        return found.of(piece.camera)


def _film(session: Session, camera: Camera) -> _Film:
    video, options = timed(session, camera.name).video, GlimpseOptions()
    model = pose_model("full")  # the smaller one: glances need no better, and it takes less than half the time
    size = probe(video).size_px
    if size != camera.size_px:
        raise BadInput(
            f"{video.path}: want {camera.size_px[0]}x{camera.size_px[1]} pixels as calibrated, got "
            f"{size[0]}x{size[1]}; film with the calibrated video mode"
        )
    markers = markers_of(session.file.tape)
    at = session.file.server.get(camera.name)
    place = ServerPlace(camera, None if at is None else np.array(at))
    seen = (camera.centre_m().round(1), camera.cam_from_world.R.round(2), at)
    made = repr((markers, options, video.times, seen, _MODE, METHOD))
    how = hashlib.sha256(made.encode()).hexdigest()
    key = f"{content_hash(video.path)[:16]}-{content_hash(model)[:8]}-{how[:8]}"
    return _Film(video, model, markers, place, options, key)


def _look(film: _Film, span_s: Span, left: Looks | None) -> Looks:
    """A piece of a film; left: where the piece before it left the server."""
    place, window = film.place, None
    if left is not None:
        window = left.window
        if place.at_px is not None:
            place = replace(place, at_px=left.hips_px)
    closer = partial(may_serve, keypoints=NEEDED)
    stretch = replace(film.video, span_s=span_s)
    return glimpse(stretch, reader_of(film.model), place, NEEDED, closer, film.options, window)


def _read(film: _Film, span_s: Span) -> ClipTracks:
    """Every point in every picture of a stretch, as measuring would see it but with the smaller model."""
    stretch = replace(film.video, span_s=span_s)
    try:
        return follow(stretch, reader_of(film.model), scene_of(stretch), film.markers, _MODE, film.place)
    except NotMeasurable:  # two may be the server: who it was is not told here
        return _nothing()


def _nothing() -> ClipTracks:
    return ClipTracks(
        np.zeros(0),
        np.zeros((0, len(SOUGHT), 2)),
        np.zeros((0, len(BODY))),
        np.zeros((0, len(MARKERS))),
        np.zeros((0, len(BODY))),
    )


def _save(path: Path, looks: Looks) -> None:
    w = looks.window
    window = np.array([np.nan] * 3 if w is None else [w.u_px, w.v_px, w.side_px])
    hips = np.full(2, np.nan) if looks.hips_px is None else looks.hips_px
    save_arrays(path, {"t_s": looks.t_s, "uv_px": looks.uv_px, "window": window, "hips_px": hips})


def _load(path: Path) -> Looks:
    with np.load(path) as data:
        window, hips = data["window"], data["hips_px"]
        return Looks(
            data["t_s"],
            data["uv_px"],
            None if np.isnan(window).any() else Window(*window.tolist()),
            None if np.isnan(hips).any() else _as_array(hips),
        )


def _as_array(x: Array) -> Array:
    return np.asarray(x, dtype=float)
