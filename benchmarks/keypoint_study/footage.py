"""Films the invented cast into a working folder outside the repository; what is up to date is kept."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from calibration.checks import Array
from demo_rigs.cast import CAST_FILES, Take
from demo_rigs.court_scene import background
from demo_rigs.description import content_key
from demo_rigs.footage import finished
from demo_rigs.players import build_serve
from demo_rigs.serve_footage import film_serve
from demo_rigs.session import FILM_FILES, SCENE_FILES
from demo_rigs.truth import keypoints

TRUTH_HZ = 480.0
_RAYS = 2  # per pixel side of the empty court


def clip_path(work: Path, take: Take, camera: str) -> Path:
    """Where one camera's clip of a take lies."""
    fps = take.scene.picture.serve_fps
    return work / "clips" / f"{take.name}_{camera}_{fps}.mp4"


def truth_path(work: Path, take: Take) -> Path:
    """Where the take's true points lie."""
    return work / "truth" / f"{take.name}.npz"


def film(work: Path, take: Take, wheel: Path) -> int:
    """Renders what is missing or out of date of one take. Returns how many clips it made."""
    entry = take.scene.serves[0]
    script = f"serves/{entry.script}.toml"
    key = content_key((*FILM_FILES, *CAST_FILES, script), take.scene.raw, take.scene.seed)
    made = 0
    for camera in take.scene.cameras:
        path = clip_path(work, take, camera)
        if _made(path) == key:
            continue
        path.parent.mkdir(parents=True, exist_ok=True)
        film_serve(
            take.scene, entry, camera, _backdrop(work, take, camera), wheel, path, tick=lambda done, count: None
        )
        path.with_suffix(".json").write_text(json.dumps({"key": key}))
        made += 1
    _write_truth(work, take, wheel)
    return made


def _made(path: Path) -> str:
    note = path.with_suffix(".json")
    return str(json.loads(note.read_text())["key"]) if path.is_file() and note.is_file() else ""


def _backdrop(work: Path, take: Take, camera: str) -> Array:
    key = content_key(SCENE_FILES, take.scene.raw["layout"], take.scene.seed)
    path = work / "backdrops" / f"{take.layout}_{camera}_{key}.npy"
    if not path.is_file():
        path.parent.mkdir(parents=True, exist_ok=True)
        picture = background(take.scene.cameras[camera], take.scene.seed, _RAYS)
        with finished(path) as draft, draft.open("wb") as file:
            np.save(file, picture)
    return np.asarray(np.load(path))


def _write_truth(work: Path, take: Take, wheel: Path) -> None:
    """True points at TRUTH_HZ over the clips' span: t_s (T,), names (P,), xyz_m (T, P, 3)."""
    entry = take.scene.serves[0]
    serve = build_serve(wheel, entry)
    start, end = min(entry.starts_s.values()), max(entry.ends_s.values())
    t = start + np.arange(int((end - start) * TRUTH_HZ) + 1) / TRUTH_HZ
    points = keypoints(serve, serve.at(t))
    path = truth_path(work, take)
    path.parent.mkdir(parents=True, exist_ok=True)
    names = sorted(points)
    np.savez_compressed(path, t_s=t, names=names, xyz_m=np.stack([points[n] for n in names], axis=1))


def read_truth(work: Path, take: Take) -> tuple[Array, tuple[str, ...], Array]:
    """t_s (T,), names, xyz_m (T, P, 3) as written by `film`."""
    with np.load(truth_path(work, take)) as data:
        return data["t_s"], tuple(map(str, data["names"])), data["xyz_m"]
