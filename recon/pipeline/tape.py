"""Measures a session's tape colours in one of its own pictures, and writes them into session.toml."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import tomlkit

from calibration.errors import BadInput
from calibration.footage import frames
from recon.keypoints import TapeHues, TapePatch, alike_elsewhere, drawn, patch_at, tape_hues
from recon.keypoints.markers import Image
from recon.session import Session, load_session
from recon.store import write_whole

Shown = tuple[str, float, float]
"""A part of recon.keypoints.tape_colours.PARTS and a pixel on it: (part, u, v)."""


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredTape:
    """What was measured, what a session is told now, what may go wrong, and where the picture of it lies."""

    patches: tuple[TapePatch, ...]
    hues: TapeHues
    cautions: tuple[str, ...]
    picture: Path


def picture_of(session: Session, camera: str, at_s: float) -> Image:
    """The first frame of a camera's video from so many seconds of the file on, outside its stretch too: tape is
    shown before the serves. Raises BadInput where there is none."""
    for frame in frames(session.video_path(camera), start_s=at_s):
        return frame.image_bgr
    raise BadInput(f"{session.video_path(camera)}: no frame at or after {at_s:g} s")


def measure_tape(session: Session, image: Image, shown: Sequence[Shown]) -> MeasuredTape:
    """Measure, check, write `[tape]` and draw what was taken. The rest of session.toml stays as it is.

    Raises BadInput, and then writes nothing, where a pixel shows no tape or two colours are too close.
    """
    if not shown:
        raise BadInput("tape: want a pixel on at least one part of tip, throat, butt, ball and edge")
    patches = tuple(patch_at(image, part, (u, v)) for part, u, v in shown)
    old = session.file.tape
    kept = dict(zip(("tip", "throat", "butt", "ball"), old.hues_deg, strict=True))
    if old.edge_hue_deg is not None:
        kept["edge"] = old.edge_hue_deg
    hues = tape_hues(patches, kept)
    _write(session, hues)
    at = session.derived / "tape.png"
    png = cv2.imencode(".png", drawn(image, patches))[1].tobytes()
    write_whole(at, lambda part: part.write_bytes(png))
    cautions = (*hues.cautions, *alike_elsewhere(image, patches, hues.tolerance_deg))
    return MeasuredTape(patches, hues, cautions, at)


def _write(session: Session, hues: TapeHues) -> None:
    path = session.folder / "session.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    if "tape" not in document:
        document["tape"] = tomlkit.table()
    table = document["tape"]
    for part, hue in hues.hues_deg.items():
        table[f"{part}_hue_deg"] = hue
    table["tolerance_deg"] = hues.tolerance_deg
    text = tomlkit.dumps(document)
    write_whole(path, lambda part: part.write_text(text, encoding="utf-8"))
    load_session(session.folder)  # what was written must be what a session may hold
