"""Measures a session's tape colours in its own pictures, and writes them into session.toml."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import tomlkit

from calibration.errors import BadInput
from calibration.footage import FootageInfo, Video, frames, picture, probe
from recon.keypoints import TapeHues, TapePatch, alike_elsewhere, drawn, goes_on, patch_at, tape_hues
from recon.keypoints.markers import Image
from recon.session import Session, load_session
from recon.store import write_whole

Shown = tuple[Image, str, float, float]
"""A picture, a part of recon.keypoints.tape_colours.PARTS, and a pixel on it: (image, part, u, v)."""

_STEP_S = 0.1  # from picture to picture, where a file does not say


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredTape:
    """What was measured, what a session is told now, what may go wrong, and where the picture of it lies."""

    patches: tuple[TapePatch, ...]
    hues: TapeHues
    cautions: tuple[str, ...]
    picture: Path


@dataclass(frozen=True, slots=True, eq=False)
class JudgedTape:
    """What pixels would be measured as; nothing is written.

    patches   per pixel what would be taken as tape; where it shows none, why
    kept_deg  hues that the session has now, by part
    refusal   why all of it would not be written, though each pixel shows tape; None where it would
    cautions  what may go wrong
    """

    patches: tuple[TapePatch | str, ...]
    kept_deg: Mapping[str, float]
    refusal: str | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TapeFilm:
    """Pictures to look for tape in, by their number at a steady rate: near enough, and quick in a long file.

    at  the picture at or after so many seconds
    """

    name: str
    size_px: tuple[int, int]
    count: int
    step_s: float
    at: Callable[[float], Image]

    def picture(self, index: int) -> Image:
        """The picture so many steps from the first. Raises BadInput where there is none."""
        return self.at(max(index - 0.5, 0.0) * self.step_s)


def tape_film(session: Session, camera: str) -> TapeFilm:
    """All of a camera's file. Raises BadInput where it cannot be read."""
    told = probe(session.video_path(camera))
    step_s = _step_s(told)
    count = told.frame_count_hint if told.duration_s is None else round(told.duration_s / step_s)
    return TapeFilm(camera, told.size_px, max(count or 1, 1), step_s, partial(picture_of, session, camera))


def tape_picture(path: Path) -> TapeFilm:
    """A picture file as a film of one picture. Raises BadInput where it cannot be read."""
    image = picture(path)
    return TapeFilm(path.name, (image.shape[1], image.shape[0]), 1, 1.0, lambda _: image)


def _step_s(told: FootageInfo) -> float:
    if not told.is_video:
        return 1.0  # pictures carry no time and are counted
    return 1 / told.nominal_fps if told.nominal_fps else _STEP_S


def picture_of(session: Session, camera: str, at_s: float) -> Image:
    """The first frame of a camera's video from so many seconds of the file on, outside its stretch too: tape is
    shown before the serves. Raises BadInput where there is none."""
    path = session.video_path(camera)
    # as a stretch: its pictures are not counted from the file's first one, which takes long late in a long file
    for frame in frames(Video(path, span_s=(at_s, np.inf)), start_s=at_s):
        return frame.image_bgr
    raise BadInput(f"{path}: no frame at or after {at_s:g} s")


def judge_tape(session: Session, shown: Sequence[Shown]) -> JudgedTape:
    """What `measure_tape` would make of these pixels, without writing anything."""
    judged = tuple(_patch_or_reason(one) for one in shown)
    kept = _kept(session)
    clear = [(one, patch) for one, patch in zip(shown, judged, strict=True) if isinstance(patch, TapePatch)]
    if not clear:
        return JudgedTape(judged, kept)
    patches = [patch for _, patch in clear]
    try:
        hues = tape_hues(patches, kept)
    except BadInput as error:
        return JudgedTape(judged, kept, str(error), goes_on(patches))
    return JudgedTape(judged, kept, None, _cautions(hues, [one for one, _ in clear], patches))


def _patch_or_reason(shown: Shown) -> TapePatch | str:
    image, part, u, v = shown
    try:
        return patch_at(image, part, (u, v))
    except BadInput as error:
        return str(error)


def measure_tape(session: Session, shown: Sequence[Shown]) -> MeasuredTape:
    """Measure, check, write `[tape]` and draw what was taken. The rest of session.toml stays as it is.

    Raises BadInput, and then writes nothing, where a pixel shows no tape or two colours are too close.
    """
    if not shown:
        raise BadInput("tape: want a pixel on at least one part of tip, throat, butt, ball and edge")
    patches = tuple(patch_at(image, part, (u, v)) for image, part, u, v in shown)
    hues = tape_hues(patches, _kept(session))
    _write(session, hues)
    at = session.derived / "tape.png"
    png = cv2.imencode(".png", _drawn(shown, patches))[1].tobytes()
    write_whole(at, lambda part: part.write_bytes(png))
    return MeasuredTape(patches, hues, _cautions(hues, shown, patches), at)


def _kept(session: Session) -> dict[str, float]:
    """Hues that stay as they are where a part is not shown."""
    old = session.file.tape
    kept = dict(zip(("tip", "throat", "butt", "ball"), old.hues_deg, strict=True))
    if old.edge_hue_deg is not None:
        kept["edge"] = old.edge_hue_deg
    return kept


def _by_picture(
    shown: Sequence[Shown], patches: Sequence[TapePatch]
) -> Iterator[tuple[Image, list[TapePatch]]]:
    """Each picture once, with the patches in it."""
    for image in {id(one[0]): one[0] for one in shown}.values():
        yield image, [patch for one, patch in zip(shown, patches, strict=True) if one[0] is image]


def _cautions(hues: TapeHues, shown: Sequence[Shown], patches: Sequence[TapePatch]) -> tuple[str, ...]:
    alike = [alike_elsewhere(image, own, hues.tolerance_deg) for image, own in _by_picture(shown, patches)]
    return (*goes_on(patches), *hues.cautions, *dict.fromkeys(words for found in alike for words in found))


def _drawn(shown: Sequence[Shown], patches: Sequence[TapePatch]) -> Image:
    """What was taken, in the one picture; several stand below one another."""
    pictures = [drawn(image, own) for image, own in _by_picture(shown, patches)]
    widest = max(p.shape[1] for p in pictures)
    return np.vstack([np.pad(p, ((0, 0), (0, widest - p.shape[1]), (0, 0))) for p in pictures])


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
