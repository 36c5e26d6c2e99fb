"""Finds the serves in a long session, tells which of one clip is which of another, and cuts them apart.

Each serve becomes a session folder of its own, so that whatever measures, shows or reports one serve does so
for each of many. They are fitted one by one: memory does not grow with the length of the recording.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration import CalibratedRig
from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.files import write_atomically
from recon.keypoints import Span
from recon.pipeline.long_sources import COMPARED_S, Filmed, Part, Recorded, Seen, Source
from recon.pipeline.options import Progress, silent
from recon.pipeline.run import rig_of
from recon.pipeline.serve_files import serve_toml
from recon.records import KEYPOINTS, CameraTracks
from recon.session import Session, load_session
from recon.sync import Clip, ClipOffset, Contradiction, match_clips
from recon.windows import WindowOptions, ball_share

_ENOUGH_SERVES = 20  # four minutes of serves: more than cameras started by hand lie apart
_BALL, _NO_BALL = 0.25, 0.05  # shares of a toss's pictures in which the ball is found, or is not


@dataclass(frozen=True, slots=True)
class CutServe:
    """One serve of a long session.

    folder       a session folder that holds it alone
    contact_s    about its contact: rig time, the clock of the first camera whose serves could be told
    spans_s      camera -> which part of its own time was cut; cameras that did not film it are missing
    ball         whether a ball was seen over the server before the contact; None where that cannot be told
    """

    number: int
    folder: Path
    contact_s: float
    spans_s: Mapping[str, Span]
    ball: bool | None = None


@dataclass(frozen=True, slots=True)
class CutSession:
    """The serves of a long session in order of time.

    swings_s  when somebody swung without a ball, rig time
    untold    cameras of which it cannot be told which serve is which; left out
    """

    serves: tuple[CutServe, ...]
    swings_s: tuple[float, ...] = ()
    untold: tuple[str, ...] = ()

    def notes(self) -> tuple[str, ...]:
        """Sentences on what was told apart and what could not be."""
        out = []
        if self.swings_s:
            times = ", ".join(f"{t:.1f} s" for t in self.swings_s)
            out.append(f"swings without a ball, not cut: {times}")
        out += [
            f"camera {name}: cannot tell which of its serves is which; left out, the others are cut"
            for name in self.untold
        ]
        unsure = [str(s.number) for s in self.serves if s.ball is None]
        if unsure:
            out.append(
                f"whether serve {', '.join(unsure)} had a ball cannot be told; a swing without looks the same"
            )
        return tuple(out)


def cut_serves(
    folder: Path, options: WindowOptions | None = None, progress: Progress = silent, *, workers: int = 2
) -> CutSession:
    """Cut a long session into its serves, in `derived/serves/NN` of the session folder.

    The clips may have been started at different times; which serve is which is told from all serves together.
    What is read from videos is kept as it is read: started again it goes on where it was. Own keypoints are
    written apart; of videos the stretch is named and nothing copied.
    Raises BadInput where the input is at fault, NotMeasurable where no serve is found, or where it cannot be
    told which serve of one clip is which of another.
    """
    options = options or WindowOptions()
    session = load_session(folder)
    rig = rig_of(session)
    source: Source
    if session.file.keypoints is not None:
        source = Recorded(session, rig)
    else:
        source = Filmed(session, rig, workers, progress)
    progress("telling serves apart", 0, 3)
    seen = source.look(options)
    progress("telling serves apart", 1, 3)
    offsets = _match(source, rig, seen)
    progress("telling serves apart", 2, 3)
    told = {o.camera: seen[o.camera] for o in offsets}
    untold = tuple(name for name in rig.names if name not in told)
    found = replace(_serves(session, source, told, offsets, options), untold=untold)
    _write(session, source, rig.names[0], found.serves)
    progress("telling serves apart", 3, 3)
    return found


def _match(source: Source, rig: CalibratedRig, seen: Mapping[str, Seen]) -> tuple[ClipOffset, ...]:
    """Offsets of all cameras; where those of one of three or more cannot be told, of the others.

    Left out is the one that noticed fewest serves. Where offsets contradict each other, nobody is left out.
    """
    try:
        return _matched(source, rig, seen)
    except Contradiction:
        raise
    except NotMeasurable:
        for out in sorted(rig.names, key=lambda name: len(seen[name].moments_s)):
            others = [name for name in rig.names if name != out]
            if len(others) >= 2:
                with suppress(NotMeasurable):
                    return _matched(source, rig.subset(others), {name: seen[name] for name in others})
        raise


def _matched(source: Source, rig: CalibratedRig, seen: Mapping[str, Seen]) -> tuple[ClipOffset, ...]:
    """Offsets from the clips' first serves where those tell, else from all: comparing all takes long."""
    heads = {name: own.head(_ENOUGH_SERVES) for name, own in seen.items()}
    try:
        return match_clips(_clips(source, rig, heads))
    except NotMeasurable:
        if all(len(own.moments_s) <= _ENOUGH_SERVES for own in seen.values()):
            raise
    return match_clips(_clips(source, rig, seen))


def _clips(source: Source, rig: CalibratedRig, seen: Mapping[str, Seen]) -> list[Clip]:
    looks = source.close_looks({name: own.moments_s for name, own in seen.items()})
    clips = []
    for camera in rig.cameras:
        own = seen[camera.name]
        both = [(t, x) for t, x in zip(own.moments_s, looks[camera.name], strict=True) if x is not None]
        tracks = [x for _, x in both]
        clips.append(Clip(camera, own.span_s, np.array([t for t, _ in both]), tracks.__getitem__))
    return clips


def _serves(
    session: Session,
    source: Source,
    seen: Mapping[str, Seen],
    offsets: Sequence[ClipOffset],
    options: WindowOptions,
) -> CutSession:
    """The serves that two or more cameras filmed and half of those noticed, in order of time."""
    start = {o.camera: o.offset_s for o in offsets}
    found: list[tuple[float, dict[str, Span]]] = []
    for contact, noticed in _together({name: s.moments_s + start[name] for name, s in seen.items()}, options):
        spans = {
            name: (contact - start[name] - options.before_s, contact - start[name] + options.after_s)
            for name, s in seen.items()
            if s.span_s[0] - COMPARED_S[0] < contact - start[name] < s.span_s[1] - COMPARED_S[1]
        }
        if len(spans) >= 2 and 2 * noticed >= len(spans):
            found.append((contact, spans))
    noted = [{n: _nearest(seen[n].moments_s, c - start[n], options) for n in spans} for c, spans in found]
    balls = _balls(source, [{n: t for n, t in own.items() if t is not None} for own in noted])
    kept = [(c, spans, ball) for (c, spans), ball in zip(found, balls, strict=True) if ball is not False]
    if not kept:
        raise NotMeasurable(f"{session.folder}: no serve was found that two cameras filmed")
    serves = tuple(
        CutServe(k, _place(session) / f"{k:02d}", contact, spans, ball)
        for k, (contact, spans, ball) in enumerate(kept, start=1)
    )
    return CutSession(serves, tuple(c for (c, _), ball in zip(found, balls, strict=True) if ball is False))


def _nearest(moments_s: Array, t_s: float, options: WindowOptions) -> float | None:
    """A camera's own moment of a serve; None where it did not notice it."""
    near = moments_s[np.abs(moments_s - t_s) < options.apart_s / 2]
    return float(near[np.abs(near - t_s).argmin()]) if len(near) else None


def _balls(source: Source, contacts_s: Sequence[Mapping[str, float]]) -> list[bool | None]:
    """For each serve, a moment by camera: whether a ball was seen over the server; None: cannot be told.

    Only a camera that finds the ball in most serves can say that there is none in another.
    """
    names = sorted({name for c in contacts_s for name in c})
    looks = source.close_looks({n: np.array([c[n] for c in contacts_s if n in c]) for n in names})
    shares: list[dict[str, float]] = [{} for _ in contacts_s]
    for name in names:
        mine = [k for k, c in enumerate(contacts_s) if name in c]
        for k, tracks in zip(mine, looks[name], strict=True):
            shares[k][name] = _share(tracks, contacts_s[k][name])
    telling = {n for n in names if 2 * sum(s.get(n, 0.0) > _BALL for s in shares) > len(shares)}
    return [_said({n: s for n, s in own.items() if n in telling}) for own in shares]


def _share(tracks: CameraTracks | None, contact_s: float) -> float:
    return np.nan if tracks is None else ball_share(tracks.t_cam_s, tracks.uv_px, KEYPOINTS, contact_s)


def _said(shares: Mapping[str, float]) -> bool | None:
    told = [share for share in shares.values() if not np.isnan(share)]
    if any(share > _BALL for share in told):
        return True
    return False if told and max(told) < _NO_BALL else None


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


def _write(session: Session, source: Source, reference: str, serves: Sequence[CutServe]) -> None:
    """Write every serve's folder; what an earlier run found besides goes."""
    parts = [Part(serve.folder, serve.spans_s) for serve in serves]
    for part in parts:
        part.folder.mkdir(parents=True, exist_ok=True)
    source.write(parts)
    for serve, part in zip(serves, parts, strict=True):
        head = f"made by the program: serve {serve.number} of {session.folder.resolve().name}, contact near"
        text = serve_toml(
            session, reference, part.folder, part.spans_s, source.told(part), f"{head} {serve.contact_s:.1f} s"
        )
        write_atomically(serve.folder / "session.toml", text)
    for old in _place(session).iterdir():
        if old.is_dir() and old not in {serve.folder for serve in serves}:
            shutil.rmtree(old)
