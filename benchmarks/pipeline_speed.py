"""How much the program costs beyond the pose model itself, on one filmed session.

    python -m benchmarks.pipeline_speed SESSION --machine "…" --date YYYY-MM-DD [--mode full] [--repeats 3]

SESSION is a calibrated session with videos, such as the demo's. The bare detector looks at the same frames as
often and on the same windows; decoding, starting processes and loading the model are left out of its time.
Decoding every picture once, which nothing spares, is timed beside it. The whole is what `courtplumb measure`
does up to the measures, without the viewer's pictures, in a copy of the session without its cache. Both take
turns; the least of each is compared. Processor time is compared, as a busy machine changes it little; wall
time is given beside it.
Writes into docs/evidence/reconstruction-speed.md.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import shutil
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import islice
from multiprocessing import forkserver
from pathlib import Path

import numpy as np

from benchmarks import pages
from calibration.footage import frames, probe
from recon.assets import pose_model
from recon.keypoints import mode_of
from recon.keypoints.passes import look_at
from recon.keypoints.pose import PoseReader, Window
from recon.pipeline import PipelineOptions, measure_session
from recon.records import BODY
from recon.session import load_session
from recon.store import load_tracks

PAGE = pages.PAGE.with_name("reconstruction-speed.md")
_PERSON_SHARE = 0.62  # as recon.keypoints.follow
_AT_ONCE = 60  # pictures held in memory


@dataclass(frozen=True, slots=True)
class Cost:
    """Processor seconds of all processes, and wall seconds."""

    cpu_s: float
    wall_s: float


@dataclass(frozen=True, slots=True)
class Whole:
    """The whole program once: all of it, and the main process's processor seconds by stage."""

    all: Cost
    stages_s: dict[str, float]


@dataclass(frozen=True, slots=True)
class Bare:
    """The model alone, and the decoding of the pictures that it looks at and of those between them."""

    model: Cost
    decoding: Cost


class _Watch:
    """Adds up the processor and wall seconds of one process between `start` and `stop`."""

    def __init__(self) -> None:
        self.cpu_s, self.wall_s, self._began = 0.0, 0.0, (0.0, 0.0)

    def __enter__(self) -> None:
        self._began = time.process_time(), time.perf_counter()

    def __exit__(self, *_: object) -> None:
        self.cpu_s += time.process_time() - self._began[0]
        self.wall_s += time.perf_counter() - self._began[1]

    def cost(self) -> Cost:
        return Cost(self.cpu_s, self.wall_s)


def bare_clip(video: Path, model: Path, mode: str, windows: list[Window | None]) -> Bare:
    """The model alone on one clip's windows, one process; None: a frame without a player, not looked at."""
    looking, decoding, begun = _Watch(), _Watch(), False
    pictures, left = frames(video), iter(windows)
    with PoseReader(model) as reader:
        while some := list(islice(left, _AT_ONCE)):
            with decoding:
                kept = list(zip((frame.image_bgr for frame in islice(pictures, len(some))), some, strict=True))
            seen = [(image, window) for image, window in kept if window is not None]
            if seen and not begun:
                look_at(reader, *seen[0], mode_of(mode))  # the first look loads the model
                begun = True
            with looking:
                for image, window in seen:
                    look_at(reader, image, window, mode_of(mode))
    return Bare(looking.cost(), decoding.cost())


def bare(folder: Path, model: Path, options: PipelineOptions) -> Bare:
    """The model alone on the windows around the players that a measured session holds, on all processes."""
    session, tracks = load_session(folder), load_tracks(folder / "derived" / "tracks.nc")
    jobs = []
    for seen in tracks.cameras:
        body = seen.uv_px[:, : len(BODY)]
        there = np.asarray(~np.isnan(body).any(axis=(1, 2)))
        windows = [
            Window(0, 0, 0).around(uv, _PERSON_SHARE) if ok else None
            for uv, ok in zip(body, there, strict=True)
        ]
        jobs.append((session.video_path(seen.camera), model, options.mode, windows))
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(options.workers, len(jobs)), context) as pool:
        clips = [future.result() for future in [pool.submit(bare_clip, *job) for job in jobs]]

    def together(costs: list[Cost]) -> Cost:
        # the clips differ in length: perfectly shared out they would take this long
        return Cost(sum(c.cpu_s for c in costs), sum(c.wall_s for c in costs) / options.workers)

    return Bare(together([c.model for c in clips]), together([c.decoding for c in clips]))


def whole(folder: Path, options: PipelineOptions) -> Whole:
    """Everything up to the measures. The session's derived files are made anew."""
    shutil.rmtree(folder / "derived", ignore_errors=True)
    stages: dict[str, float] = {}
    last, stage = time.process_time(), "reading what the session is made of"

    def told(label: str, _done: int, _total: int) -> None:
        nonlocal last, stage
        now = time.process_time()
        stages[stage] = stages.get(stage, 0.0) + now - last
        last, stage = now, label

    before, started = _cpu_s(), time.perf_counter()
    measure_session(folder, options, told)
    wall = time.perf_counter() - started
    _end_fork_server()
    cpu = _cpu_s() - before
    told("", 0, 0)
    return Whole(Cost(cpu, wall), stages)


def _end_fork_server() -> None:
    """Where reading processes are forked from a server: what they used is known once that has ended."""
    if sys.platform == "linux":
        forkserver._forkserver._stop()  # type: ignore[attr-defined]  # multiprocessing tells no other way


def _cpu_s() -> float:
    """Processor seconds of this process and of those it has started and ended."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def report(bares: list[Bare], wholes: list[Whole], frame_count: int, length_s: float, workers: int) -> str:
    """The table: seconds, milliseconds per frame, and ratios to the bare detector."""
    model = Cost(min(b.model.cpu_s for b in bares), min(b.model.wall_s for b in bares))
    decoding = min(b.decoding.cpu_s for b in bares)
    best = min(wholes, key=lambda w: w.all.cpu_s)
    everything = Cost(best.all.cpu_s, min(w.all.wall_s for w in wholes))
    stages = best.stages_s
    reading = best.all.cpu_s - sum(stages.values())

    def row(name: str, cpu_s: float, wall_s: float | None) -> list[str]:
        wall = ["", ""] if wall_s is None else [f"{wall_s:.1f}", f"{wall_s / model.wall_s:.2f}"]
        return [name, f"{cpu_s:.1f}", f"{1e3 * cpu_s / frame_count:.1f}", f"{cpu_s / model.cpu_s:.2f}", *wall]

    rows = [
        row(f"bare detector, {workers} processes", model.cpu_s, model.wall_s),
        row("decoding every picture once", decoding, None),
        row("the whole, up to the measures", everything.cpu_s, everything.wall_s),
        row("of it: the reading processes, their start included", reading, None),
        *(row(f"of it: {name}", s, None) for name, s in stages.items()),
    ]
    counted = f"{frame_count} frames, {length_s:.1f} s of video"
    head = [counted, "CPU s", "CPU ms a frame", "ratio", "wall s", "ratio"]
    return pages.table(head, rows)


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("session", type=Path, help="folder of a session with videos and a calibrated rig")
    parser.add_argument("--mode", default="quick", help="quick or full (default: %(default)s)")
    parser.add_argument("--workers", type=int, default=2, help="processes (default: %(default)s)")
    parser.add_argument("--repeats", type=int, default=3, help="turns (default: %(default)s)")
    told = parser.parse_args()
    options = PipelineOptions(mode=told.mode, workers=told.workers, pictures=False)
    # beside the original, so that its path to the rig holds
    with tempfile.TemporaryDirectory(dir=told.session.resolve().parent) as kept:
        folder = Path(kept)
        shutil.copytree(told.session, folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("derived"))
        bares, wholes = [], []
        for _ in range(told.repeats):
            wholes.append(whole(folder, options))
            bares.append(bare(folder, pose_model("heavy"), options))
        session = load_session(folder)
        found = load_tracks(folder / "derived" / "tracks.nc")
        seconds = sum(probe(session.video_path(name)).duration_s or 0.0 for name in session.camera_names)
    count = sum(len(c.t_cam_s) for c in found.cameras)
    text = report(bares, wholes, count, seconds, options.workers)
    said = pages.circumstances(told, ("numpy", "opencv-contrib-python", "mediapipe"))
    print(text)
    pages.put(told.page, f"{told.mode} speed", f"{text}\n\n{said}")


if __name__ == "__main__":
    main()
