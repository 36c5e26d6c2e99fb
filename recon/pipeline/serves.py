"""Finds the serves in a long session, tells which of one clip is which of another, and cuts them apart.

Each serve becomes a session folder of its own, so that whatever measures, shows or reports one serve does so
for each of many. They are fitted one by one: memory does not grow with the length of the recording.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import tomlkit

from calibration import CalibratedRig
from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.files import write_atomically
from calibration.own import load_any_rig
from recon.keypoints import Glimpse, Span, glimpse_own_keypoints, own_tracks, rows_within
from recon.pipeline.options import Progress, silent
from recon.pipeline.run import rig_of
from recon.session import Session, load_session
from recon.sync import Clip, ClipOffset, match_clips
from recon.windows import NEEDED, WindowOptions, find_moments

_LOOKS_HZ = 12.0  # a toss lasts a second, a hand is above its shoulder for a third of one
_COMPARED_S = (-1.0, 0.5)  # of contact: the toss and the swing, which tell one serve from another
_ENOUGH_SERVES = 20  # four minutes of serves: more than cameras started by hand lie apart
_KEYPOINTS = "keypoints.csv"


@dataclass(frozen=True, slots=True)
class CutServe:
    """One serve of a long session.

    folder       a session folder that holds it alone
    contact_s    about its contact: rig time, the clock of the session's first camera
    spans_s      camera -> which part of its own time was cut; cameras that did not film it are missing
    """

    number: int
    folder: Path
    contact_s: float
    spans_s: Mapping[str, Span]


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What a glimpse of one camera's recording tells: its span and the moments that look like contact."""

    span_s: Span
    moments_s: Array

    def head(self, count: int) -> _Seen:
        """The recording up to half-way between its moment number `count` and the next."""
        if len(self.moments_s) <= count:
            return self
        stop = float(self.moments_s[count - 1 : count + 1].mean())
        return _Seen((self.span_s[0], stop), self.moments_s[:count])


def cut_serves(
    folder: Path, options: WindowOptions | None = None, progress: Progress = silent
) -> tuple[CutServe, ...]:
    """Cut a long session of own keypoints into its serves, in `derived/serves/NN` of the session folder.

    The clips may have been started at different times; which serve is which is told from all serves together.
    Raises BadInput where the input is at fault, NotMeasurable where no serve is found, or where it cannot be
    told which serve of one clip is which of another.
    """
    options = options or WindowOptions()
    session = load_session(folder)
    if session.file.keypoints is None:
        raise BadInput(
            f"{folder / 'session.toml'}: want a session of own keypoints; cut long videos (without "
            "re-timing them) into one session per serve"
        )
    rig = rig_of(session)
    source = _Source.of(session, rig)
    progress("looking for serves", 0, 3)
    seen = _look(source, rig, session, options)
    progress("looking for serves", 1, 3)
    offsets = _match(source, rig, seen)
    progress("looking for serves", 2, 3)
    serves = _serves(session, seen, offsets, options)
    _cut(session, source, serves)
    progress("looking for serves", 3, 3)
    return serves


@dataclass(frozen=True, slots=True)
class _Source:
    """The long keypoint file and whose rows are read."""

    path: Path
    names: tuple[str, ...]
    unused: tuple[str, ...]

    @staticmethod
    def of(session: Session, rig: CalibratedRig) -> _Source:
        path = session.folder / str(session.file.keypoints)
        unused = tuple(name for name in load_any_rig(session.rig_path).names if name not in rig.names)
        return _Source(path, tuple(rig.names), unused)


def _look(source: _Source, rig: CalibratedRig, session: Session, options: WindowOptions) -> dict[str, _Seen]:
    looks = glimpse_own_keypoints(source.path, source.names, source.unused, NEEDED, _LOOKS_HZ)
    return {name: _Seen(g.span_s, _moments(g, session, options)) for name, g in looks.items()}


def _moments(glimpse: Glimpse, session: Session, options: WindowOptions) -> Array:
    found = find_moments(glimpse.t_s, glimpse.uv_px, NEEDED, session.file.handedness, options)
    return np.array([moment.t_cam_s for moment in found])


def _match(source: _Source, rig: CalibratedRig, seen: Mapping[str, _Seen]) -> tuple[ClipOffset, ...]:
    """Offsets from the clips' first serves where those tell, else from all: comparing all takes long."""
    heads = {name: own.head(_ENOUGH_SERVES) for name, own in seen.items()}
    try:
        return match_clips(_clips(source, rig, heads))
    except NotMeasurable:
        if all(len(own.moments_s) <= _ENOUGH_SERVES for own in seen.values()):
            raise
    return match_clips(_clips(source, rig, seen))


def _clips(source: _Source, rig: CalibratedRig, seen: Mapping[str, _Seen]) -> list[Clip]:
    stretches = [
        {name: (float(t) + _COMPARED_S[0], float(t) + _COMPARED_S[1])}
        for name in source.names
        for t in seen[name].moments_s
    ]
    rows: list[list[pd.DataFrame]] = [[] for _ in stretches]
    for k, some in rows_within(source.path, source.names, source.unused, stretches):
        rows[k].append(some)
    clips, at = [], 0
    for camera in rig.cameras:
        moments = seen[camera.name].moments_s
        tracks = [own_tracks(source.path, pd.concat(own), camera) for own in rows[at : at + len(moments)]]
        clips.append(Clip(camera, seen[camera.name].span_s, moments, tracks.__getitem__))
        at += len(moments)
    return clips


def _serves(
    session: Session, seen: Mapping[str, _Seen], offsets: Sequence[ClipOffset], options: WindowOptions
) -> tuple[CutServe, ...]:
    """The serves that two or more cameras filmed and half of those noticed, in order of time."""
    start = {o.camera: o.offset_s for o in offsets}
    serves: list[CutServe] = []
    for contact, noticed in _together({name: s.moments_s + start[name] for name, s in seen.items()}, options):
        spans = {
            name: (contact - start[name] - options.before_s, contact - start[name] + options.after_s)
            for name, s in seen.items()
            if s.span_s[0] - _COMPARED_S[0] < contact - start[name] < s.span_s[1] - _COMPARED_S[1]
        }
        if len(spans) >= 2 and 2 * noticed >= len(spans):
            number = len(serves) + 1
            serves.append(CutServe(number, _place(session) / f"{number:02d}", contact, spans))
    if not serves:
        raise NotMeasurable(f"{session.folder}: no serve was found that two cameras filmed")
    return tuple(serves)


def _together(moments_s: Mapping[str, Array], options: WindowOptions) -> list[tuple[float, int]]:
    """Moments of all cameras at rig time, those of one serve as one: (when, how many cameras noticed it)."""
    groups: list[list[tuple[float, str]]] = []
    for t, name in sorted((float(t), name) for name, own in moments_s.items() for t in own):
        if groups and t - groups[-1][0][0] < options.apart_s / 2:
            groups[-1].append((t, name))
        else:
            groups.append([(t, name)])
    return [(float(np.median([t for t, _ in g])), len({name for _, name in g})) for g in groups]


def _place(session: Session) -> Path:
    return session.derived / "serves"


def _cut(session: Session, source: _Source, serves: Sequence[CutServe]) -> None:
    """Write every serve's folder in one reading of the long file; what an earlier run found besides goes."""
    parts = [serve.folder / f".{_KEYPOINTS}.part" for serve in serves]
    for serve, part in zip(serves, parts, strict=True):
        serve.folder.mkdir(parents=True, exist_ok=True)
        part.write_text("", encoding="utf-8")
    for k, rows in rows_within(source.path, source.names, source.unused, [s.spans_s for s in serves]):
        rows.to_csv(parts[k], mode="a", header=parts[k].stat().st_size == 0, index=False)
    for serve, part in zip(serves, parts, strict=True):
        part.replace(serve.folder / _KEYPOINTS)
        write_atomically(serve.folder / "session.toml", _toml(session, source, serve))
    for old in _place(session).iterdir():
        if old.is_dir() and old not in {serve.folder for serve in serves}:
            shutil.rmtree(old)


_PER_CAMERA = ("video", "video_rate", "server", "shutter", "clock")


def _toml(session: Session, source: _Source, serve: CutServe) -> str:
    """The session file of one serve: the long session's, but for what was cut; times stay as they were."""

    def there(path: Path) -> str:
        return Path(os.path.relpath(path.resolve(), serve.folder)).as_posix()

    told = session.file.model_dump(mode="json", exclude_defaults=True, exclude_none=True)
    told |= {
        "rig": there(session.folder / session.file.rig),
        "keypoints": _KEYPOINTS,
        "cameras": list(serve.spans_s),
    }
    for key in _PER_CAMERA:
        told[key] = {name: value for name, value in told.get(key, {}).items() if name in serve.spans_s}
    for name in told["video"]:
        told["video"][name] = there(session.video_path(name))
    first = source.names[0]
    if first not in serve.spans_s and first not in session.file.clock:
        told["clock"] = {}  # offsets against a camera that did not film this serve
    for own in told.get("sound", {}).get("camera", {}).values():
        if "file" in own:
            own["file"] = there(session.folder / own["file"])
    head = f"made by the program: serve {serve.number} of {session.folder.resolve().name}, contact near"
    document = tomlkit.document()
    document.add(tomlkit.comment(f"{head} {serve.contact_s:.1f} s"))
    document.update({key: value for key, value in told.items() if value not in ({}, None)})
    return tomlkit.dumps(document)
