"""Films the variations into session folders as a user would have them, truth beside; what is there is kept.

WORK/NAME/   session.toml, one clip per camera, rig/derived/calibrated_rig.json; film.json: made from what
WORK/truth/  NAME.nc and NAME_cameras.json
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmarks.measure_coverage.rigs import calibrated
from benchmarks.measure_coverage.scene import age_of, scene_of
from benchmarks.measure_coverage.variations import SEED, Variation
from calibration import save_rig, write_atomically
from calibration.checks import Array
from calibration.geometry import Camera
from demo_rigs.cast import CAST_FILES
from demo_rigs.court_scene import background
from demo_rigs.description import Academy, ServeEntry, content_key
from demo_rigs.footage import finished
from demo_rigs.racket_ball import LENGTH_M
from demo_rigs.serve_footage import film_serve
from demo_rigs.session import FILM_FILES, SCENE_FILES
from demo_rigs.truth import write_cameras, write_truth

_RAYS = 2  # per pixel side of the empty court
_TRUTH_FILES = ("truth.py", "soles.py")
_FOOTWORK_FILES = tuple(f"footwork/{n}.toml" for n in ("pinpoint", "grounded", "pinpoint_grounded"))


def session_folder(work: Path, v: Variation) -> Path:
    """The session of a variation."""
    return work / v.name


def truth_path(work: Path, v: Variation) -> Path:
    """Its truth file."""
    return work / "truth" / f"{v.name}.nc"


def cameras_path(work: Path, v: Variation) -> Path:
    """Its true cameras and clocks."""
    return work / "truth" / f"{v.name}_cameras.json"


def film_key(scene: Academy, entry: ServeEntry) -> str:
    """Of everything that shapes the pictures; what only the truth is told by is left out."""
    files = [f for f in (*FILM_FILES, *CAST_FILES, *_FOOTWORK_FILES) if f not in _TRUTH_FILES]
    return content_key((*files, f"serves/{entry.script}.toml"), scene.raw, entry.starts_s, entry.ends_s)


def is_current(work: Path, v: Variation, wheel: Path) -> bool:
    """Whether the clips are those that would be filmed now."""
    scene, entry, _ = scene_of(v, wheel)
    return _made(work, v) == film_key(scene, entry)


def is_filmed(work: Path, v: Variation) -> bool:
    """Whether all clips and the truth are there."""
    return bool(_made(work, v)) and truth_path(work, v).is_file()


def film(work: Path, v: Variation, wheel: Path, tell: Callable[[str], object]) -> None:
    """Films what is missing or out of date of one variation, and writes its session, rig and truth."""
    scene, entry, _ = scene_of(v, wheel)
    key, folder = film_key(scene, entry), session_folder(work, v)
    folder.mkdir(parents=True, exist_ok=True)
    if _made(work, v) != key:
        note = folder / "film.json"
        note.unlink(missing_ok=True)
        for camera in scene.cameras:
            clip, half = folder / f"{camera}.mp4", folder / f"{camera}.film.json"
            if clip.is_file() and half.is_file() and json.loads(half.read_text())["key"] == key:
                continue
            backdrop = _backdrop(work, v.rig, scene.cameras[camera])
            film_serve(scene, entry, camera, backdrop, wheel, clip, tick=lambda done, count: None)
            half.write_text(json.dumps({"key": key}))
            tell(f"{v.name}: {camera} filmed")
        note.write_text(json.dumps({"key": key}))
    _write_session(folder, v, scene, entry)
    write_user_rig(folder, v, scene)
    renew_truth(work, v, wheel)


def renew_truth(work: Path, v: Variation, wheel: Path) -> None:
    """Writes the truth where it is missing or was told by other code."""
    scene, entry, _ = scene_of(v, wheel)
    key = content_key((*_TRUTH_FILES, *FILM_FILES), scene.raw, entry.starts_s)
    note = work / "truth" / f"{v.name}.json"
    if note.is_file() and json.loads(note.read_text())["key"] == key:
        return
    write_truth(scene, entry, wheel, truth_path(work, v))
    write_cameras(scene, cameras_path(work, v))
    note.write_text(json.dumps({"key": key}))


def _made(work: Path, v: Variation) -> str:
    note = session_folder(work, v) / "film.json"
    return str(json.loads(note.read_text())["key"]) if note.is_file() else ""


def _backdrop(work: Path, rig: int, camera: Camera) -> Array:
    """The empty court of one camera; all serves before one rig have the same."""
    pose = camera.cam_from_world
    seen = (camera.K_px.tolist(), camera.distortion.tolist(), pose.R.tolist(), pose.t_m.tolist())
    path = work / "backdrops" / f"{rig}_{camera.name}_{content_key(SCENE_FILES, seen)}.npy"
    if not path.is_file():
        picture = background(camera, SEED, _RAYS)
        with finished(path) as draft, draft.open("wb") as file:
            np.save(file, picture)
    return np.asarray(np.load(path))


def write_user_rig(folder: Path, v: Variation, scene: Academy) -> None:
    """The calibrated rig of a variation, as its user has it."""
    path = folder / "rig" / "derived" / "calibrated_rig.json"
    if not path.is_file():
        path.parent.mkdir(parents=True, exist_ok=True)
        save_rig(path, calibrated(v.name, tuple(scene.cameras.values()), v.seed))


def _write_session(folder: Path, v: Variation, scene: Academy, entry: ServeEntry) -> None:
    path, text = folder / "session.toml", session_toml(v, scene, entry)
    if not path.is_file() or path.read_text(encoding="utf-8") != text:
        write_atomically(path, text)


def session_toml(v: Variation, scene: Academy, entry: ServeEntry) -> str:
    """A session's description with all that a user is asked for; the height as a person would state it."""
    right = v.handedness == "right"  # who stands to the right of the centre mark serves from the deuce side
    lines = [
        'rig = "rig"', f"athlete = {json.dumps(entry.athlete.label)}", f'handedness = "{v.handedness}"',
        f"height_m = {v.height_m:.2f}", f"age_years = {age_of(v)}", 'game = "singles"', "",
        "[serve]", 'type = "flat"', f'side = "{"deuce" if right else "advantage"}"', "effort_percent = 80",
        'landed = "in"', 'ball = "full"', f"racket_length_m = {LENGTH_M}", "",
        "[video]", *(f'{name} = "{name}.mp4"' for name in scene.cameras), "",
        "[shutter]", *(f"{name} = {{ readout_ms = 0 }}" for name in scene.cameras),
    ]  # fmt: skip
    return "\n".join(lines) + "\n"
