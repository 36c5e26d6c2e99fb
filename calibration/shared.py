"""One set of shared board footage to board poses seen by several cameras at the same moment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path

from calibration.board import Board, Ids, checked_ids, no_ids
from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.holds import LEAST_SHARED, Match, cam_from_board, find_holds, match_by_time, match_known
from calibration.views import Hold, Progress, scan_boards, silent

_SAME_CLOCK_S = 0.3  # a third pair's shift may differ by this from the one that the other two pairs give
SCAN_RATE_HZ = 15.0  # a hold of a quarter of a second still shows in four frames


@dataclass(frozen=True, slots=True, eq=False)
class BoardFootage:
    """What one camera's part of a shared set holds: still moments of a video, or pictures with their names."""

    path: Path
    size_px: tuple[int, int]
    is_video: bool
    holds: tuple[Hold, ...]
    names: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SharedView:
    """One board pose: the cameras that saw it and where they saw its corners.

    corners_px  per camera (n, 2)
    ids         per camera (n,) indices into Board.points_m(); a camera left out saw all corners, in order
    """

    label: str
    corners_px: Mapping[str, Array]
    ids: Mapping[str, Ids] = field(default_factory=dict)

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
    """

    views: tuple[SharedView, ...]
    placements: tuple[Placement, ...]
    offsets_s: Mapping[str, float]
    flags: tuple[str, ...]


def read_board_footage(
    path: Path, board: Board, *, label: str = "", progress: Progress = silent
) -> BoardFootage:
    """Finds the board's still moments in a video, or the board in a folder of pictures; BadInput if none."""
    scan = scan_boards(path, board, rate_hz=SCAN_RATE_HZ, refine=False, label=label, progress=progress)
    if not scan.is_video:
        # pictures carry no time: their place in the folder stands for it
        stills = tuple(Hold(v.t_s, v.t_s, v.corners_px, v.ids) for v in scan.views)
        return BoardFootage(path, scan.size_px, False, stills, tuple(v.name for v in scan.views))
    holds = find_holds(scan.views, board)
    if not holds:
        raise BadInput(
            f"{path}: the board is seen in {len(scan.views)} of {scan.searched} frames looked at "
            "but never keeps still; hold it still for about half a second at each place"
        )
    return BoardFootage(path, scan.size_px, True, tuple(holds))


def match_set(footage: Mapping[str, BoardFootage], lenses: Mapping[str, Camera], board: Board) -> SharedSet:
    """Joins the cameras of one set. lenses: cameras with calibrated lenses (their poses are not used).

    Raises BadInput where the set mixes videos and pictures, where pictures differ in size from the lens's,
    where no two cameras share three board poses, or where two shifts in time fit equally well.
    """
    _check_footage(footage, lenses)
    poses = {
        name: [cam_from_board(lenses[name], board, h.corners_px, h.ids) for h in part.holds]
        for name, part in footage.items()
    }
    found: list[tuple[str, str, Match]] = []
    flags: list[str] = []
    for a, b in combinations(footage, 2):
        match = _match(footage[a], footage[b], poses[a], poses[b], board)
        if match is None:
            continue
        if match.rival >= max(LEAST_SHARED, 0.8 * len(match.pairs)):
            raise BadInput(
                f"{footage[a].path} and {footage[b].path}: two shifts in time fit equally well "
                f"({len(match.pairs)} and {match.rival} board poses agree); "
                "hold the board in more different places and tilts"
            )
        found.append((a, b, match))
    if not found:
        counts = ", ".join(f"{part.path} ({len(part.holds)} still moments)" for part in footage.values())
        raise BadInput(
            f"shared footage: want at least {LEAST_SHARED} board poses seen together by two cameras, "
            f"found none that agree in {counts}; the footage may not belong together"
        )
    found.sort(key=lambda f: -len(f[2].pairs))
    return _joined(footage, found, flags, board)


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
