"""A second look where the first lost the player, was unsure, or followed somebody else, as all cameras tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.geometry import Camera
from recon.keypoints import ClipTracks, Mode, NobodySeen, Wanted, window_of_box, with_rows, without_bodies
from recon.motion import without_edges
from recon.people import Followed, State, compare_followed
from recon.people.followed import AGREE
from recon.pipeline.clock_sources import first_clocks
from recon.pipeline.detect import Found, look_again_at
from recon.pipeline.footage import with_true_times
from recon.pipeline.options import PipelineOptions, Progress
from recon.pipeline.racket_fill import RacketRoute
from recon.records import BODY, BallCandidates, Clocks, Tracks2D
from recon.session import Session
from recon.sync import standing_alone

_TOLD_S = 0.1  # a shorter stretch of somebody else is not worth a sentence
_EMPTY_SHARE = 0.9  # of a camera's frames: with fewer it tells nothing
_UNMENDED_SHARE = 0.05  # of a camera's frames: more than that, and the serve is below the quality gate


class OtherServe(NotMeasurable):
    """One camera's clip agrees with no other, and the others agree; camera: its name."""

    def __init__(self, camera: str) -> None:
        super().__init__(
            f"camera {camera}: its clip agrees with no other at any time, while the others agree: it shows "
            "something else than this serve, or the camera was moved"
        )
        self.camera = camera


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """Tracks of one person.

    clocks   their first estimate, where these very tracks gave it
    candidates  by camera: every patch that may be the ball; empty for points of the user's own
    racket   what came of racket points that were clicked
    told     sentences about what was found and mended; trouble: what could not be
    """

    tracks: Tracks2D
    clocks: Clocks | None = None
    told: tuple[str, ...] = ()
    trouble: tuple[str, ...] = ()
    candidates: Mapping[str, BallCandidates] = field(default_factory=dict)
    racket: RacketRoute = field(default_factory=RacketRoute)


def with_second_look(
    session: Session, cameras: Sequence[Camera], found: Found, options: PipelineOptions, progress: Progress
) -> Checked:
    """Tracks of the server, each frame looked at once more at most where the cameras say it is needed.

    Bodies that are somebody else's after that are left out, and it is said. Raises NotMeasurable where a camera
    shows no person at all, OtherServe where one stands alone among three or more.
    """
    first = with_true_times(session, found.tracks())
    judged = _judged(session, cameras, first)
    if judged is None:
        return Checked(first, told=_said(found), candidates=found.candidates())
    clocks, followed = judged
    rows = {c.name: _Rows.of(found.clips[c.name], first, clocks, followed, c.name) for c in cameras}
    mode = next(iter(found.read.values())).mode
    wanted = {name: own.wanted(mode) for name, own in rows.items()}
    again = look_again_at(session, found, wanted, options, progress) if any(wanted.values()) else {}
    clips = {name: rows[name].mended(again.get(name)) for name in rows}
    told = [s for name, own in rows.items() for s in own.sentences(clips[name])]
    changed = any(clips[name] is not found.clips[name] for name in clips)
    mended = replace(found, clips=clips)
    tracks = with_true_times(session, mended.tracks()) if changed else first
    trouble = tuple(s for own in rows.values() for s in own.trouble(clips[own.camera]))
    said = (*_said(found), *told)
    return Checked(tracks, None if changed else clocks, said, trouble, mended.candidates())


def person_flags(session: Session, cameras: Sequence[Camera], tracks: Tracks2D) -> Checked:
    """Points of the user's own, as they are: sentences where cameras' points are not one person's.

    Raises NobodySeen where a camera shows hardly anything, OtherServe where one of three or more stands alone.
    """
    for seen in tracks.cameras:
        empty = float(np.isnan(seen.sigma_px).all(axis=1).mean())
        if empty > _EMPTY_SHARE:
            raise NobodySeen(seen.camera, f"camera {seen.camera}: nothing seen in {empty:.0%} of its frames")
    judged = _judged(session, cameras, tracks)
    if judged is None:
        return Checked(tracks)
    clocks, followed = judged
    trouble = []
    for k, camera in enumerate(cameras):
        wrong = np.isin(followed.state[:, k], (State.MISTAKEN, State.UNCLEAR))
        if wrong.mean() > _UNMENDED_SHARE:
            trouble.append(
                f"camera {camera.name}: in {wrong.mean():.0%} of the time its points are of somebody else than "
                "the other cameras' points: look whom they are on"
            )
    return Checked(tracks, clocks, trouble=tuple(trouble))


def _said(found: Found) -> tuple[str, ...]:
    return (found.who,) if found.who else ()


def _judged(session: Session, cameras: Sequence[Camera], tracks: Tracks2D) -> tuple[Clocks, Followed] | None:
    """None where the clips do not tell their clocks: the next stage says why. Raises as above."""
    try:
        tracks, _ = without_edges(tracks)  # a pair without names would be matched at random
        clocks = first_clocks(session, cameras, tracks)
        return clocks, compare_followed(cameras, tracks, clocks)
    except NotMeasurable:
        alone = standing_alone(cameras, tracks)
        if alone is not None:
            raise OtherServe(alone) from None
        return None


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """One camera's frames, as they were read and as all cameras judge them.

    rig_s (T,), boxes (T, 3) where the player must be, state (T,), SAME outside the time that two cameras saw.
    """

    camera: str
    clip: ClipTracks
    followed: Followed
    rig_s: Array
    boxes: Array
    state: NDArray[np.int64]

    @staticmethod
    def of(clip: ClipTracks, tracks: Tracks2D, clocks: Clocks, followed: Followed, camera: str) -> _Rows:
        rig = clocks.of(camera).rig_time(tracks.of(camera).t_cam_s)
        inside = (rig >= followed.t_s[0]) & (rig <= followed.t_s[-1])
        k = [c.name for c in followed.cameras].index(camera)
        state = np.where(inside, followed.state[followed.nearest(rig), k], int(State.SAME))
        return _Rows(camera, clip, followed, rig, followed.boxes(camera, rig), state)

    @property
    def _has_body(self) -> NDArray[np.bool_]:
        return np.asarray(~np.isnan(self.clip.uv_px[:, : len(BODY), 0]).any(axis=1))

    def wanted(self, mode: Mode) -> tuple[Wanted, ...]:
        """The frames to look at again: each that had a body, and as many of a gap as the mode looks at."""
        doubtful = np.isin(self.state, (State.UNSURE, State.LOST, State.MISTAKEN))
        step = float(np.median(np.diff(self.rig_s))) if len(self.rig_s) > 1 else 1.0
        stride = 1 + min(mode.pass_over.most, int(mode.pass_over.gap_s / step + 0.01) - 1) if step else 1
        every = np.arange(len(self.rig_s)) % max(stride, 1) == 0
        rows = doubtful & (self._has_body | ((self.state == State.LOST) & every))
        rows &= np.isfinite(self.boxes).all(axis=1)
        return tuple(
            Wanted(float(self.clip.t_cam_s[k]), window_of_box(*map(float, self.boxes[k])))
            for k in np.flatnonzero(rows)
        )

    def mended(self, again: ClipTracks | None) -> ClipTracks:
        """The clip with what the second look found of the player, and without what is still somebody else's."""
        clip, taken_rows = self.clip, np.zeros(len(self.rig_s), dtype=bool)
        if again is not None and len(again.t_cam_s):
            at = np.searchsorted(clip.t_cam_s, again.t_cam_s)
            taken = self._better(at, again.uv_px[:, : len(BODY)])
            clip = with_rows(clip, again, taken)
            taken_rows[at[taken]] = True
        left = (self.state == State.MISTAKEN) & self._has_body & ~taken_rows
        return without_bodies(clip, left) if left.any() else clip

    def _better(self, at: NDArray[np.int64], uv_px: Array) -> NDArray[np.bool_]:
        """(K,) whether a second look's body is the player's, and fits better than the first one's."""
        seen = ~np.isnan(uv_px).any(axis=(1, 2))
        out = np.zeros(len(at), dtype=bool)
        if not seen.any():
            return out
        new = np.full(len(at), np.inf)
        new[seen] = self.followed.costs(self.camera, self.rig_s[at[seen]], uv_px[seen])
        old = np.full(len(at), np.inf)
        had = self._has_body[at]
        if had.any():
            bodies = self.clip.uv_px[at[had], : len(BODY)]
            old[had] = self.followed.costs(self.camera, self.rig_s[at[had]], bodies)
        return np.asarray((new < AGREE) & (new < old))

    def sentences(self, mended: ClipTracks) -> list[str]:
        """What was mended, per kind: over which time, and in how many frames the player is seen now."""
        out = []
        for state, what in ((State.MISTAKEN, "followed somebody else"), (State.LOST, "lost the player")):
            rows = self.state == state
            if not rows.any() or self._lasts_s(rows) < _TOLD_S:
                continue
            now = ~np.isnan(mended.uv_px[rows, : len(BODY), 0]).any(axis=1)
            span = f"{self.rig_s[rows].min():.2f} s to {self.rig_s[rows].max():.2f} s of rig time"
            out.append(
                f"camera {self.camera} {what}, {span}, in {rows.sum()} frames; a second look where the other "
                f"cameras see the player found them in {now.sum()}"
            )
        return out

    def trouble(self, mended: ClipTracks) -> list[str]:
        """What a person must look at: frames left out or unclear."""
        out = []
        gone = (self.state == State.MISTAKEN) & self._has_body
        gone &= np.isnan(mended.uv_px[:, : len(BODY), 0]).any(axis=1)
        if gone.mean() > _UNMENDED_SHARE:
            out.append(
                f"camera {self.camera} followed somebody else than the other cameras, and the player was not "
                f"found in {gone.mean():.0%} of its frames, which are left out: name the server by a pixel "
                "([server] in session.toml), or look at the stills"
            )
        unclear = self.state == State.UNCLEAR
        if unclear.mean() > _UNMENDED_SHARE:
            out.append(
                f"camera {self.camera}: in {unclear.mean():.0%} of its frames the cameras follow different "
                "people, and which is the player cannot be told: name the server by a pixel ([server] in "
                "session.toml)"
            )
        return out

    def _lasts_s(self, rows: NDArray[np.bool_]) -> float:
        step = float(np.median(np.diff(self.rig_s))) if len(self.rig_s) > 1 else 0.0
        return float(rows.sum()) * step
