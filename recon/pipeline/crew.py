"""Processes that read clips: begun when first needed, and what each of them does with a clip."""

from __future__ import annotations

import multiprocessing
import multiprocessing.context
import os
import sys
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import forkserver
from pathlib import Path
from types import TracebackType
from typing import ParamSpec, TypeVar

from calibration.footage import Video
from recon.keypoints import (
    ClipTracks,
    Course,
    MarkerOptions,
    Mode,
    Seen,
    ServerPlace,
    Wanted,
    follow,
    look_again,
    look_around,
    scene_of,
)
from recon.keypoints.markers import Image
from recon.keypoints.pose import Pose
from recon.pipeline.reading import reader_of

P = ParamSpec("P")
R = TypeVar("R")


@dataclass(frozen=True, slots=True, eq=False)
class Clip:
    """What all pieces of a clip are read with. Goes to the reading processes."""

    video: Video
    model: Path
    markers: MarkerOptions
    mode: Mode
    place: ServerPlace

    @property
    def camera(self) -> str:
        """Its name."""
        return self.place.camera.name


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What the server is known by before a clip is followed: the sight in its first frame, or a course."""

    before: Seen | None = None
    course: Course | None = None


class Crew:
    """As many processes as asked for. Use as a context manager: left by an error, nothing is begun any more."""

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Crew:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=kind is None, cancel_futures=kind is not None)

    def call(self) -> None:
        """Has what the processes are forked from begin to load the program, and does not wait for it."""
        if sys.platform == "linux":
            _context()
            forkserver.ensure_running()

    def submit(self, do: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> Future[R]:
        """Have it done by the next process that is free."""
        if self._pool is None:
            self._pool = ProcessPoolExecutor(self._workers, _context(), initializer=_quiet)
        return self._pool.submit(do, *args, **kwargs)


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


def find_scene(clip: Clip) -> Image:
    """The clip's empty scene."""
    return scene_of(clip.video)


def find_people(clip: Clip, step_s: float | None) -> list[tuple[float, list[Pose]]]:
    """Everybody in pictures step_s apart, or in the first one only."""
    return look_around(reader_of(clip.model), clip.video, step_s)


def read_piece(clip: Clip, scene: Image, known: Known, start_s: float, stop_s: float | None) -> ClipTracks:
    """A stretch of the clip, followed."""
    return follow(
        clip.video,
        reader_of(clip.model),
        scene,
        clip.markers,
        clip.mode,
        clip.place,
        before=known.before,
        course=known.course,
        start_s=start_s,
        stop_s=stop_s,
    )


def read_again(clip: Clip, scene: Image, wanted: tuple[Wanted, ...]) -> ClipTracks:
    """Some of the clip's frames, looked at once more."""
    return look_again(clip.video, reader_of(clip.model), scene, clip.markers, clip.mode, wanted)
