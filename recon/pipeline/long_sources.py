"""Recordings of long sessions, own keypoints or videos, asked the same questions in the search for serves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd

from calibration import CalibratedRig
from calibration.checks import Array
from calibration.own import load_any_rig
from recon.keypoints import Glimpse, Span, glimpse_own_keypoints, own_tracks, rows_within
from recon.pipeline.glimpses import Films
from recon.pipeline.options import Progress
from recon.records import CameraTracks
from recon.session import Session
from recon.windows import NEEDED, WindowOptions, find_moments

COMPARED_S = (-1.0, 0.5)  # of contact: the toss and the swing, which tell one serve from another
_LOOKS_HZ = 12.0  # a toss lasts a second, a hand is above its shoulder for a third of one
_APART_S = 0.2  # looks farther apart are glances: between them nothing was going on
_KEYPOINTS = "keypoints.csv"


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What a glimpse of one camera's recording tells: its span and the moments that look like contact."""

    span_s: Span
    moments_s: Array

    def head(self, count: int) -> Seen:
        """The recording up to half-way between its moment number `count` and the next."""
        if len(self.moments_s) <= count:
            return self
        stop = float(self.moments_s[count - 1 : count + 1].mean())
        return Seen((self.span_s[0], stop), self.moments_s[:count])


@dataclass(frozen=True, slots=True)
class Part:
    """One serve of a long session: its folder, and camera -> which part of its own time belongs to it."""

    folder: Path
    spans_s: Mapping[str, Span]


class Source(Protocol):
    """A long session's recordings."""

    def look(self, options: WindowOptions) -> dict[str, Seen]:
        """Where each camera seems to see a serve."""
        ...

    def close_looks(self, moments_s: Mapping[str, Array]) -> dict[str, list[CameraTracks | None]]:
        """Tracks around moments, COMPARED_S of each; None where nobody is seen."""
        ...

    def write(self, parts: Sequence[Part]) -> None:
        """Put what belongs to each serve into its folder, which is there."""
        ...

    def told(self, part: Part) -> dict[str, Any]:
        """The keys of a serve's session.toml that say where its part of the recordings is."""
        ...


def _around(moments_s: Array) -> list[Span]:
    return [(float(t) + COMPARED_S[0], float(t) + COMPARED_S[1]) for t in moments_s]


class Recorded:
    """Own keypoints in one file, of any length."""

    def __init__(self, session: Session, rig: CalibratedRig) -> None:
        self._session, self._rig = session, rig
        self._path = session.folder / str(session.file.keypoints)
        self._names = tuple(rig.names)
        self._unused = tuple(name for name in load_any_rig(session.rig_path).names if name not in rig.names)

    def look(self, options: WindowOptions) -> dict[str, Seen]:
        """As `Source.look`."""
        looks = glimpse_own_keypoints(self._path, self._names, self._unused, NEEDED, _LOOKS_HZ)
        side = self._session.file.handedness
        return {
            name: Seen(
                g.span_s, np.array([m.t_cam_s for m in find_moments(g.t_s, g.uv_px, NEEDED, side, options)])
            )
            for name, g in looks.items()
        }

    def close_looks(self, moments_s: Mapping[str, Array]) -> dict[str, list[CameraTracks | None]]:
        """As `Source.close_looks`."""
        asked = [camera for camera in self._rig.cameras if camera.name in moments_s]
        stretches = [{c.name: span} for c in asked for span in _around(moments_s[c.name])]
        rows: list[list[pd.DataFrame]] = [[] for _ in stretches]
        for k, some in rows_within(self._path, self._names, self._unused, stretches):
            rows[k].append(some)
        found: dict[str, list[CameraTracks | None]] = {}
        at = 0
        for camera in asked:
            own = rows[at : at + len(moments_s[camera.name])]
            found[camera.name] = [own_tracks(self._path, pd.concat(r), camera) if r else None for r in own]
            at += len(own)
        return found

    def write(self, parts: Sequence[Part]) -> None:
        """Every serve's rows, in one reading of the long file."""
        drafts = [part.folder / f".{_KEYPOINTS}.part" for part in parts]
        for draft in drafts:
            draft.write_text("", encoding="utf-8")
        for k, rows in rows_within(self._path, self._names, self._unused, [p.spans_s for p in parts]):
            rows.to_csv(drafts[k], mode="a", header=drafts[k].stat().st_size == 0, index=False)
        for part, draft in zip(parts, drafts, strict=True):
            draft.replace(part.folder / _KEYPOINTS)

    def told(self, part: Part) -> dict[str, Any]:
        """The serve's own file of keypoints."""
        return {"keypoints": _KEYPOINTS}


class Filmed:
    """Videos of any length."""

    def __init__(self, session: Session, rig: CalibratedRig, workers: int, progress: Progress) -> None:
        self._session = session
        self._films = Films(session, rig.cameras, workers, progress)

    def look(self, options: WindowOptions) -> dict[str, Seen]:
        """As `Source.look`."""
        side = self._session.file.handedness
        found: dict[str, Seen] = {}
        for name, g in self._films.glimpses().items():
            moments = [
                m.t_cam_s
                for t, uv in _stretches(g)
                for m in find_moments(t, uv, NEEDED, side, options)
            ]  # fmt: skip
            found[name] = Seen(g.span_s, np.array(moments))
        return found

    def close_looks(self, moments_s: Mapping[str, Array]) -> dict[str, list[CameraTracks | None]]:
        """As `Source.close_looks`."""
        return self._films.close_looks({name: _around(own) for name, own in moments_s.items()})

    def write(self, parts: Sequence[Part]) -> None:
        """Nothing: a serve's session names its stretch of the long videos, which stay where and as they are."""

    def told(self, part: Part) -> dict[str, Any]:
        """The stretch of every video, and the pixel on the server where it begins if one was told before."""
        window = {name: [round(max(t, 0.0), 3) for t in span] for name, span in part.spans_s.items()}
        at = {name: self._films.server_px(name, span[0]) for name, span in window.items()}
        server = {name: [round(float(x), 1) for x in px] for name, px in at.items() if px is not None}
        return {"window": window, "server": server}


def _stretches(g: Glimpse) -> list[tuple[Array, Array]]:
    """Times and points of the looks that were close to each other."""
    edges = np.flatnonzero(np.diff(g.t_s) > _APART_S) + 1
    return list(zip(np.split(g.t_s, edges), np.split(g.uv_px, edges), strict=True))
