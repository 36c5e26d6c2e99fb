"""A rig folder for a new day: lenses that were measured once, today's court pictures, nothing written by
hand."""

from __future__ import annotations

from pathlib import Path

import cv2
import tomlkit
from tomlkit.items import AoT

from calibration.errors import BadInput
from calibration.files import write_atomically
from calibration.folder import RigFolder, read_rig_folder
from calibration.footage import PICTURE_SUFFIXES, picture

VIDEO_SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".mkv", ".avi", ".mts", ".webm"})
"""What counts as a video beside other files; the reader itself goes by content."""


def start_day(rig: Path | str, today: Path | str, pictures: Path | str) -> RigFolder:
    """Makes the folder `today` from the rig folder `rig`: kept lens files, court pictures, and a rig.toml.

    pictures: a folder with one picture or video per camera, named as the camera; of a video, the first frame is
    taken. Board and names are taken over, [[shared]] footage is not. rig.toml is written last.
    Raises BadInput where a lens has not been calibrated, a picture is missing, or `today` already is a rig
    folder.
    """
    folder, today = read_rig_folder(rig), Path(today)
    if (today / "rig.toml").exists():
        raise BadInput(f"{today}: is a rig folder already; want a new one for a new day")
    sources = {name: _picture_of(Path(pictures), name) for name in folder.camera_names}
    lenses = {name: folder.lens_path(name) for name in folder.camera_names}
    for name, path in lenses.items():
        if not path.is_file():
            raise BadInput(
                f"{path}: the lens of {name} is not calibrated; run `courtplumb lens {folder.root}` first"
            )
    (today / "court").mkdir(parents=True, exist_ok=True)
    for name, source in sources.items():
        write_atomically(today / "lens" / f"{name}.json", lenses[name].read_text(encoding="utf-8"))
        if not cv2.imwrite(str(today / "court" / f"{name}.png"), picture(source)):
            raise BadInput(f"{today / 'court' / f'{name}.png'}: could not be written")
    write_atomically(today / "rig.toml", _described(folder.root / "rig.toml"))
    return read_rig_folder(today)


def _picture_of(pictures: Path, camera: str) -> Path:
    if not pictures.is_dir():
        raise BadInput(f"{pictures}: want a folder with a picture of the court per camera")
    found = sorted(
        p
        for p in pictures.iterdir()
        if p.stem == camera and p.suffix.lower() in PICTURE_SUFFIXES | VIDEO_SUFFIXES
    )
    if len(found) != 1:
        got = ", ".join(p.name for p in found) or "none"
        raise BadInput(f"{pictures}: want one picture or video named {camera}, got {got}")
    return found[0]


def _described(old: Path) -> str:
    """The old rig.toml with kept lenses and today's pictures in place of footage."""
    text = tomlkit.parse(old.read_text(encoding="utf-8-sig"))
    text.pop("shared", None)
    cameras = text["camera"]
    if not isinstance(cameras, AoT | list):
        raise BadInput(f"{old}: camera: want [[camera]] tables")
    for camera in cameras:
        camera.pop("lens_footage", None)
        camera["lens"] = f"lens/{camera['name']}.json"
        camera["court_picture"] = f"court/{camera['name']}.png"
    return tomlkit.dumps(text)
