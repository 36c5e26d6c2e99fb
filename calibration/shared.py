"""One set of shared board footage to board poses seen by several cameras at the same moment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path

import numpy as np

from calibration.board import Board, Ids, checked_ids, no_ids
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.holds import (
    LEAST_SHARED,
    Match,
    cam_from_board,
    find_holds,
    match_by_time,
    match_known,
    overlapping,
)
from calibration.moving.clock import BoardClock, PairClock
from calibration.moving.join import Group, Pairs, groups, moments_of, pair_clocks, told
from calibration.moving.moments import Moment
from calibration.moving.track import BoardTrack, track_of
from calibration.views import Hold, Progress, scan_boards, silent

_SAME_CLOCK_S = 0.3  # a third pair's shift may differ by this from the one that the other two pairs give
SCAN_RATE_HZ = (
    30.0  # a carried board bounces at 2 Hz and its overtones: a cubic follows them at 30 Hz, not at 15
)


@dataclass(frozen=True, slots=True, eq=False)
class BoardFootage:
    """What one camera's part of a shared set holds: still moments of a video, or pictures with their names.

    track: the board's motion over the whole video; None for pictures, or where too little was seen
    """

    path: Path
    size_px: tuple[int, int]
    is_video: bool
    holds: tuple[Hold, ...]
    names: tuple[str, ...] = ()
    track: BoardTrack | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SharedView:
    """One board pose: the cameras that saw it and where they saw its corners.

    corners_px  per camera (n, 2)
    ids         per camera (n,) indices into Board.points_m(); a camera left out saw all corners, in order
    Of a moving board, besides:
    velocity_px_s  per camera, the corners' image velocity (n, 2)
    clock          per camera, index of the clock error that this view shares with the other views of that
                   camera in its set; corners at the true instant = corners_px + velocity_px_s * error. The
                   set's reference camera has none, and neither has a board that stood still
    spread         per camera, noise of the interpolated corners over that of corners in one frame; absent
                   where it is 1
    """

    label: str
    corners_px: Mapping[str, Array]
    ids: Mapping[str, Ids] = field(default_factory=dict)
    velocity_px_s: Mapping[str, Array] = field(default_factory=dict)
    clock: Mapping[str, int] = field(default_factory=dict)
    spread: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        ids = {
            name: checked_ids(self.ids.get(name, no_ids()), len(px), f"{self.label}, camera {name}: ids")
            for name, px in self.corners_px.items()
        }
        object.__setattr__(self, "ids", ids)


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """An estimate of two cameras' placement and how many board poses agree on it."""

    a: str
    b: str
    b_from_a: Rigid
    votes: int


@dataclass(frozen=True, slots=True, eq=False)
class SharedSet:
    """Matched footage.

    offsets_s   per camera that was matched: t_first = t_camera + offset, "first" being the first camera of its
                group in the set; zero for pictures
    clocks      per camera whose clock the moving board gave, against the first such camera of its group
    n_clocks    how many clock errors its views bring in, numbered from match_set's first_clock
    """

    views: tuple[SharedView, ...]
    placements: tuple[Placement, ...]
    offsets_s: Mapping[str, float]
    flags: tuple[str, ...]
    clocks: Mapping[str, BoardClock] = field(default_factory=dict)
    n_clocks: int = 0


def read_board_footage(
    path: Path, board: Board, *, label: str = "", progress: Progress = silent
) -> BoardFootage:
    """Finds the board's still moments and its motion in a video, or the board in a folder of pictures.

    BadInput where the board is never seen.
    """
    scan = scan_boards(path, board, rate_hz=SCAN_RATE_HZ, refine=False, label=label, progress=progress)
    if not scan.is_video:
        # pictures carry no time: their place in the folder stands for it
        stills = tuple(Hold(v.t_s, v.t_s, v.corners_px, v.ids) for v in scan.views)
        return BoardFootage(path, scan.size_px, False, stills, tuple(v.name for v in scan.views))
    whole = [v for v in scan.views if len(v.ids) == board.count]  # a track follows all corners
    holds, track = find_holds(scan.views, board), track_of(whole, board)
    if not holds and track is None:
        raise BadInput(
            f"{path}: the board is seen in {len(scan.views)} of {scan.searched} frames looked at, "
            "too few to follow it; carry it slowly, and keep it whole in the picture"
        )
    return BoardFootage(path, scan.size_px, True, tuple(holds), track=track)


def match_set(
    footage: Mapping[str, BoardFootage], lenses: Mapping[str, Camera], board: Board, first_clock: int = 0
) -> SharedSet:
    """Joins the cameras of one set. lenses: cameras with calibrated lenses (their poses are not used).

    Clocks come from the board's motion where it tells them, and from the pattern of its still moments
    otherwise. first_clock: the number of clock errors that sets before this one use up.
    Raises BadInput where the set mixes videos and pictures, where pictures differ in size from the lens's,
    where no two cameras share three board poses, or where two shifts in time fit equally well.
    """
    _check_footage(footage, lenses)
    poses = {
        name: [cam_from_board(lenses[name], board, h.corners_px, h.ids) for h in part.holds]
        for name, part in footage.items()
    }
    tracks = {name: part.track for name, part in footage.items() if part.track is not None}
    moving = pair_clocks(tracks, lenses, board)
    found: list[tuple[str, str, Match]] = []
    for a, b in combinations(footage, 2):
        pair = moving.found.get((a, b))
        if pair is not None:
            found.append((a, b, _match_by_clock(footage[a], footage[b], poses[a], poses[b], board, pair)))
            continue
        match = _match(footage[a], footage[b], poses[a], poses[b], board)
        _want_one_shift(footage[a], footage[b], match, moving.rivals.get((a, b)))
        if match is not None:
            found.append((a, b, match))
    if not found:
        raise BadInput(_nothing_agrees(footage))
    found.sort(key=lambda f: ((f[0], f[1]) not in moving.found, -len(f[2].pairs)))
    still = _joined(footage, found, [], board)
    return _with_moving(still, footage, lenses, board, moving, tracks, first_clock)


def _want_one_shift(
    a: BoardFootage, b: BoardFootage, match: Match | None, rivals_s: tuple[float, float] | None
) -> None:
    """Raises BadInput where two shifts in time fit equally well."""
    where = f"{a.path} and {b.path}: two shifts in time fit equally well"
    if match is not None and match.rival >= max(LEAST_SHARED, 0.8 * len(match.pairs)):
        raise BadInput(
            f"{where} ({len(match.pairs)} and {match.rival} board poses agree); "
            "hold the board in more different places and tilts"
        )
    if match is None and rivals_s is not None:
        raise BadInput(
            f"{where} ({rivals_s[0]:.1f} s and {rivals_s[1]:.1f} s); "
            "carry the board along a less regular way, and turn it as you go"
        )


def _nothing_agrees(footage: Mapping[str, BoardFootage]) -> str:
    counts = ", ".join(f"{part.path} ({_contents(part)})" for part in footage.values())
    return (
        f"shared footage: want at least {LEAST_SHARED} board poses seen together by two cameras, "
        f"found none that agree in {counts}; the footage may not belong together"
    )


def _contents(part: BoardFootage) -> str:
    if not part.is_video:
        return f"{len(part.holds)} pictures with the board"
    seen_s = 0.0 if part.track is None else len(part.track.t_s) * part.track.step_s
    return f"{len(part.holds)} still moments, the board in sight for {seen_s:.0f} s"


def _check_footage(footage: Mapping[str, BoardFootage], lenses: Mapping[str, Camera]) -> None:
    if len({part.is_video for part in footage.values()}) > 1:
        raise BadInput(
            "shared footage: want videos only or pictures only in one set, got both: "
            + ", ".join(str(part.path) for part in footage.values())
        )
    for name, part in footage.items():
        if part.size_px != lenses[name].size_px:
            raise BadInput(
                f"{part.path}: want {lenses[name].size_px[0]}x{lenses[name].size_px[1]} px "
                f"as in camera {name}'s lens footage, got {part.size_px[0]}x{part.size_px[1]}"
            )


def _match(
    a: BoardFootage, b: BoardFootage, poses_a: Sequence[Rigid], poses_b: Sequence[Rigid], board: Board
) -> Match | None:
    if a.is_video:
        return match_by_time(a.holds, b.holds, poses_a, poses_b, board)
    pairs = [(i, b.names.index(name)) for i, name in enumerate(a.names) if name in b.names]
    return match_known(pairs, poses_a, poses_b, board)


def _match_by_clock(
    a: BoardFootage, b: BoardFootage, poses_a: Sequence[Rigid], poses_b: Sequence[Rigid], board: Board,
    pair: PairClock,
) -> Match:  # fmt: skip
    """The still moments that fall together under a known clock; maybe none."""
    ends = [pair.clock.to_reference(np.array([h.start_s, h.stop_s])) for h in b.holds]
    on_a = [Hold(float(t[0]), float(t[1]), h.corners_px, h.ids) for t, h in zip(ends, b.holds, strict=True)]
    match = match_known(overlapping(a.holds, on_a, 0.0), poses_a, poses_b, board)
    return Match(() if match is None else match.pairs, pair.clock.offset_s, pair.b_from_a, 0)


def _with_moving(
    still: SharedSet, footage: Mapping[str, BoardFootage], lenses: Mapping[str, Camera], board: Board,
    moving: Pairs, tracks: Mapping[str, BoardTrack], first_clock: int,
) -> SharedSet:  # fmt: skip
    """The set with views of the moving board added to those of its still moments."""
    where = next(iter(footage.values())).path.stem
    views, flags = list(still.views), list(still.flags)
    clocks: dict[str, BoardClock] = {}
    n_clocks = 0
    for group in groups(tuple(tracks), moving):
        index = {name: first_clock + n_clocks + i for i, name in enumerate(list(group.clocks)[1:])}
        moments = moments_of(group, tracks, lenses, board, _still_poses(still, group, lenses, board))
        views += [_moving_view(where, moment, index) for moment in moments]
        clocks |= group.clocks
        n_clocks += len(index)
        flags += told(group, moving, tracks, len(moments))
    return SharedSet(tuple(views), still.placements, still.offsets_s, tuple(flags), clocks, n_clocks)


def _still_poses(still: SharedSet, group: Group, lenses: Mapping[str, Camera], board: Board) -> list[Rigid]:
    """Board poses of still moments in the frame of the group's first camera."""
    out = []
    for view in still.views:
        name = next((n for n in view.corners_px if n in group.cam_from_first), None)
        if name is not None:
            pose = cam_from_board(lenses[name], board, view.corners_px[name], view.ids[name])
            out.append(group.cam_from_first[name].inverse() @ pose)
    return out


def _moving_view(where: str, moment: Moment, index: Mapping[str, int]) -> SharedView:
    return SharedView(
        f"{where} at {moment.t_s:.2f} s",
        {name: seen.uv_px for name, seen in moment.seen.items()},
        velocity_px_s={name: seen.velocity_px_s for name, seen in moment.seen.items()},
        clock={name: index[name] for name in moment.seen if name in index},
        spread={name: seen.spread for name, seen in moment.seen.items()},
    )


_PoseOf = dict[tuple[str, int], tuple[int, bool]]
"""(camera, hold) → (board pose's key, upside down against that key's first camera)."""


def _joined(
    footage: Mapping[str, BoardFootage], found: Sequence[tuple[str, str, Match]], flags: list[str], board: Board
) -> SharedSet:
    """Board poses over all cameras: pairs' matches chained along the strongest tree."""
    group = {name: {name} for name in footage}
    offsets_s: dict[str, float] = dict.fromkeys(footage, 0.0)
    pose_of: _PoseOf = {}
    for a, b, match in found:
        # t_a = t_b + offset and t_first = t_a + offsets[a]
        shift = offsets_s[a] + match.offset_s - offsets_s[b]
        if b in group[a] and abs(shift) > _SAME_CLOCK_S:
            continue  # contradicts the stronger pairs
        if b not in group[a]:
            for name in group[b]:
                offsets_s[name] += shift
            merged = group[a] | group[b]
            group |= dict.fromkeys(merged, merged)
        for i, j, turned in match.pairs:
            _tie(pose_of, (a, i), (b, j), turned)
    alone = [name for name in footage if len(group[name]) == 1]
    if alone:
        flags.append(
            f"camera {', '.join(alone)} shares too few board poses with the others in one set of footage"
        )
    placements = tuple(Placement(a, b, match.b_from_a, len(match.pairs)) for a, b, match in found)
    matched = {name: offsets_s[name] for name in footage if name not in alone}
    return SharedSet(_views(footage, pose_of, board), placements, matched, tuple(flags))


def _views(footage: Mapping[str, BoardFootage], pose_of: _PoseOf, board: Board) -> tuple[SharedView, ...]:
    where = next(iter(footage.values())).path.stem
    corners: dict[int, dict[str, Array]] = {}
    ids: dict[int, dict[str, Ids]] = {}
    for (name, i), (key, turned) in pose_of.items():
        hold = footage[name].holds[i]
        # upside down the last corner is the first one
        corners.setdefault(key, {})[name] = hold.corners_px[::-1] if turned else hold.corners_px
        ids.setdefault(key, {})[name] = board.count - 1 - hold.ids[::-1] if turned else hold.ids
    shared = [key for key in sorted(corners) if len(corners[key]) > 1]
    return tuple(SharedView(f"{where} #{n + 1}", corners[k], ids[k]) for n, k in enumerate(shared))


def _tie(pose_of: _PoseOf, a: tuple[str, int], b: tuple[str, int], turned: bool) -> None:
    """Says that two cameras' holds show the same board pose, one upside down against the other if `turned`."""
    for hold in (a, b):
        fresh = 1 + max((key for key, _ in pose_of.values()), default=-1)
        pose_of.setdefault(hold, (fresh, False))
    (key_a, turn_a), (key_b, turn_b) = pose_of[a], pose_of[b]
    in_a = {name for (name, _), (key, _) in pose_of.items() if key == key_a}
    in_b = {name for (name, _), (key, _) in pose_of.items() if key == key_b}
    if key_a == key_b or in_a & in_b:
        return
    flip = (turn_a != turned) != turn_b
    for hold, (key, turn) in list(pose_of.items()):
        if key == key_b:
            pose_of[hold] = (key_a, turn != flip)
