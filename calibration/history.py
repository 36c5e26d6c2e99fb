"""The calibrations that a rig has had: each kept whole, with its pictures, date, cause and quality.

    derived/history/HASH/calibrated_rig.json   byte for byte the file that was in use
    derived/history/HASH/calibration.json      number, date, cause, quality, reference pictures
    derived/history/pictures/HASH.png          the pictures, each content once

HASH is the beginning of the SHA-256 of the content. Nothing here is ever overwritten.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from pydantic import ValidationError

from calibration.calibrated_rig import CalibratedRig
from calibration.errors import BadInput
from calibration.files import StrictModel, first_fault, load_rig, read_json, write_atomically
from calibration.provenance import Provenance, content_hash

HISTORY_FORMAT: Final = "courtplumb-calibration-1"
SHOWN_DIGITS = 12
"""Digits of a hash that a person reads and types; also a folder's name."""
MENDED = "mended"
"""Begins the names that mending a moved camera adds to a rig's provenance."""
_LEAST_DIGITS = 4
_RIG_NAME, _CARD_NAME = "calibrated_rig.json", "calibration.json"


class _Card(StrictModel):
    format: Literal["courtplumb-calibration-1"]
    number: int
    sha256: str
    date_utc: str | None
    cause: str
    cameras: list[str]
    worst_u_m: float | None
    held_out_px: float | None
    click_rms_px: float | None
    pictures: dict[str, str]


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration of a rig.

    number        1 for the first that was kept
    sha256        of the rig file's content; what sessions name
    date_utc      when it was kept, ISO 8601; None where nobody told
    cause         what made it, in words
    worst_u_m, held_out_px, click_rms_px  its quality, as in the rig file
    pictures      camera → the reference picture that belongs to it
    path          the kept rig file
    """

    number: int
    sha256: str
    date_utc: str | None
    cause: str
    cameras: tuple[str, ...]
    worst_u_m: float | None
    held_out_px: float | None
    click_rms_px: float | None
    pictures: Mapping[str, Path]
    path: Path

    @property
    def short(self) -> str:
        """The hash as a person reads it."""
        return self.sha256[:SHOWN_DIGITS]


def keep_calibration(
    rig_path: Path, date_utc: str | None, cause: str, pictures: Mapping[str, Path | bytes]
) -> Calibration:
    """Puts a rig file (derived/calibrated_rig.json) into the history beside it; what is there already stays as
    it is.

    pictures: camera → picture file, or the bytes of a PNG. Raises BadInput where the rig file cannot be read.
    """
    sha256 = content_hash(rig_path)
    root = rig_path.parent / "history"
    folder = root / sha256[:SHOWN_DIGITS]
    if (folder / _CARD_NAME).is_file():
        return _read(folder)
    rig = load_rig(rig_path)
    card = _Card(
        format=HISTORY_FORMAT, number=1 + max((c.number for c in calibrations(rig_path)), default=0),
        sha256=sha256, date_utc=date_utc, cause=cause, cameras=list(rig.names),
        worst_u_m=rig.court.worst_u_m if rig.court else None, held_out_px=rig.held_out_px,
        click_rms_px=rig.court.rms_px if rig.court else None,
        pictures={camera: _kept_picture(root / "pictures", given) for camera, given in pictures.items()},
    )  # fmt: skip
    write_atomically(folder / _RIG_NAME, rig_path.read_text(encoding="utf-8"))
    # written last: it vouches for the rig file beside it
    write_atomically(folder / _CARD_NAME, json.dumps(card.model_dump(mode="json"), indent=1) + "\n")
    return _read(folder)


def calibrations(rig_path: Path) -> tuple[Calibration, ...]:
    """All kept calibrations of the rig whose derived/calibrated_rig.json this is, oldest first."""
    folders = (card.parent for card in (rig_path.parent / "history").glob(f"*/{_CARD_NAME}"))
    return tuple(sorted((_read(folder) for folder in folders), key=lambda c: (c.number, c.sha256)))


def find_calibration(rig_path: Path, sha256: str) -> Calibration:
    """The kept calibration whose hash begins so. Raises BadInput where there is none, or more than one."""
    wanted = sha256.lower()
    kept = calibrations(rig_path)
    found = [c for c in kept if c.sha256.startswith(wanted)]
    if len(wanted) < _LEAST_DIGITS or len(found) != 1:
        have = ", ".join(c.short for c in kept) or "none"
        raise BadInput(
            f"{rig_path.parent / 'history'}: want {_LEAST_DIGITS} or more digits of one calibration's hash, "
            f"got {sha256!r}; there are {have}"
        )
    return found[0]


def calibration_of(rig_path: Path) -> Calibration | None:
    """The kept calibration that a rig file is: the current one, or a file inside the history. None if not
    kept.
    """
    if (rig_path.parent / _CARD_NAME).is_file():
        return _read(rig_path.parent)
    if not rig_path.is_file():
        return None
    folder = rig_path.parent / "history" / content_hash(rig_path)[:SHOWN_DIGITS]
    return _read(folder) if (folder / _CARD_NAME).is_file() else None


def kept_rig(calibration: Calibration) -> CalibratedRig:
    """The rig itself. Raises BadInput where the kept file has been changed since."""
    if content_hash(calibration.path) != calibration.sha256:
        raise BadInput(f"{calibration.path}: its content is no longer that of the calibration that was kept")
    return load_rig(calibration.path)


def without_mending(provenance: Provenance) -> Provenance:
    """What made the rig before any camera of it was mended."""
    inputs = {name: sha256 for name, sha256 in provenance.inputs.items() if not name.startswith(MENDED)}
    return Provenance(provenance.program_version, provenance.options, inputs)


def _read(folder: Path) -> Calibration:
    path = folder / _CARD_NAME
    data = read_json(path)
    if data.get("format") != HISTORY_FORMAT:
        raise BadInput(f"{path}: format: want {HISTORY_FORMAT!r}, got {data.get('format')!r}")
    try:
        card = _Card.model_validate(data)
    except ValidationError as error:
        raise BadInput(f"{path}: {first_fault(error)}") from error
    pictures = {camera: folder.parent / "pictures" / name for camera, name in card.pictures.items()}
    return Calibration(
        card.number, card.sha256, card.date_utc, card.cause, tuple(card.cameras), card.worst_u_m,
        card.held_out_px, card.click_rms_px, pictures, folder / _RIG_NAME,
    )  # fmt: skip


def _kept_picture(folder: Path, given: Path | bytes) -> str:
    """Copies a picture in, under the hash of its content; its name."""
    data = given if isinstance(given, bytes) else given.read_bytes()
    suffix = ".png" if isinstance(given, bytes) else given.suffix.lower()
    name = hashlib.sha256(data).hexdigest()[:SHOWN_DIGITS] + suffix
    if not (folder / name).is_file():
        folder.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(prefix=".", suffix=".part", dir=folder)
        with os.fdopen(handle, "wb") as out:
            out.write(data)
        Path(part).chmod(0o644)
        Path(part).replace(folder / name)
    return name
