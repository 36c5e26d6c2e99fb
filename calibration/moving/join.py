"""All cameras of one set joined by a moving board: clocks, placements, and views at chosen moments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from calibration.board import Board
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.moving.clock import BoardClock, PairClock, refine_clock
from calibration.moving.match import PoseTrack, Shift, ambiguous, find_shift, pose_track
from calibration.moving.moments import Moment, Watching, choose_moments
from calibration.moving.track import BoardTrack

_MOST_MISS_SQUARES = 0.2  # 2 cm on 10 cm squares: lenses and still cameras fit ten times better
_MOST_U_S = 0.01  # a clock known no better is none: that is a third of a frame of most cameras
_RIVAL_WORSE = 3.0  # a second shift is no rival if its corners miss so many times farther
_LOOP_SIGMAS, _LOOP_S = 4.0, 0.5e-3  # what three pairs' clocks may miss by, round the loop
_RATE_TOLD = 2e-4  # quartz clocks agree four times better
_LEFT_OUT_TOLD = 0.3  # up to a fifth of clean pictures break the smooth track where carrying starts and stops


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """found: by (a, b), b's clock against a's. rivals: pairs for which two shifts fit equally well (s)."""

    found: Mapping[tuple[str, str], PairClock]
    rivals: Mapping[tuple[str, str], tuple[float, float]]


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Cameras joined by clocks: the first one's clock and frame are the reference.

    clocks per camera, the reference's being exact; cam_from_first per camera
    """

    clocks: Mapping[str, BoardClock]
    cam_from_first: Mapping[str, Rigid]


def pair_clocks(tracks: Mapping[str, BoardTrack], lenses: Mapping[str, Camera], board: Board) -> Pairs:
    """Every pair of cameras whose common sight of the moving board tells their shift in time."""
    poses = {name: pose_track(track, lenses[name], board) for name, track in tracks.items()}
    found: dict[tuple[str, str], PairClock] = {}
    rivals: dict[tuple[str, str], tuple[float, float]] = {}
    for a, b in combinations(tracks, 2):
        shift = find_shift(poses[a], poses[b])
        if shift is None:
            continue
        pair = _pair(tracks[a], tracks[b], (lenses[a], lenses[b]), board, shift.offset_s, shift.b_from_a)
        if pair is None:
            continue
        if ambiguous(shift) and _rival_fits(tracks[a], tracks[b], poses[a], poses[b], board, shift, pair):
            rivals[a, b] = (shift.offset_s, shift.rival_s)
            continue
        found[a, b] = pair
    return Pairs(found, rivals)


def _pair(
    a: BoardTrack, b: BoardTrack, cameras: tuple[Camera, Camera], board: Board, offset_s: float, b_from_a: Rigid
) -> PairClock | None:
    pair = refine_clock(a, b, cameras, board, offset_s, b_from_a)
    if pair is None or pair.rms_px > _MOST_MISS_SQUARES * _square_px(b, board):
        return None
    return pair if pair.clock.u_offset_s < _MOST_U_S else None


def _rival_fits(
    a: BoardTrack, b: BoardTrack, poses_a: PoseTrack, poses_b: PoseTrack, board: Board, shift: Shift,
    pair: PairClock,
) -> bool:  # fmt: skip
    other = _pair(a, b, (poses_a.camera, poses_b.camera), board, shift.rival_s, shift.rival_b_from_a)
    return other is not None and other.rms_px < _RIVAL_WORSE * pair.rms_px


def _square_px(track: BoardTrack, board: Board) -> float:
    g = track.corners_px.reshape(-1, board.rows, board.columns, 2)
    return float(np.nanmedian(np.linalg.norm(np.diff(g, axis=2), axis=-1)))


def groups(names: Sequence[str], pairs: Pairs) -> list[Group]:
    """Cameras chained by their surest clocks; cameras without any are in no group."""
    left = list(names)
    out = []
    while left:
        clocks, placed = {left[0]: BoardClock()}, {left[0]: Rigid.identity(f"cam_{left[0]}", f"cam_{left[0]}")}
        while edges := [e for e in pairs.found.items() if (e[0][0] in clocks) != (e[0][1] in clocks)]:
            (a, b), pair = min(edges, key=lambda e: e[1].clock.u_offset_s)
            if a in clocks:
                clocks[b] = pair.clock.after(clocks[a])
                placed[b] = pair.b_from_a @ placed[a]
            else:
                clocks[a] = pair.clock.inverse().after(clocks[b])
                placed[a] = pair.b_from_a.inverse() @ placed[b]
        left = [n for n in left if n not in clocks]
        if len(clocks) > 1:
            out.append(Group({n: clocks[n] for n in names if n in clocks}, placed))
    return out


def moments_of(
    group: Group, tracks: Mapping[str, BoardTrack], lenses: Mapping[str, Camera], board: Board,
    known: Sequence[Rigid],
) -> tuple[Moment, ...]:  # fmt: skip
    """Views of the moving board for one group. known: first_from_board of its still moments."""
    watching = [
        Watching(lenses[n].placed(group.cam_from_first[n]), tracks[n], clock)
        for n, clock in group.clocks.items()
    ]
    return choose_moments(watching, board, known)


def told(group: Group, pairs: Pairs, tracks: Mapping[str, BoardTrack], moments: int) -> list[str]:
    """What a user should know about clocks that were found from a moving board."""
    reference, *others = group.clocks
    known = ", ".join(f"{n} to {group.clocks[n].u_offset_s * 1e3:.2f} ms" for n in others)
    used = f"{moments} views are of a moving board; its" if moments else "the board's"
    flags = [f"{used} motion gave the clocks against {reference}: {known}"]
    for name in others:
        clock = group.clocks[name]
        if abs(clock.rate) > max(_RATE_TOLD, 4 * clock.u_rate):
            flags.append(
                f"camera {name}'s clock runs {abs(clock.rate) * 1e6:.0f} ppm "
                f"{'slow' if clock.rate > 0 else 'fast'} against {reference}'s; is a file's frame rate wrong?"
            )
    for (a, b), pair in pairs.found.items():
        if a in group.clocks and b in group.clocks:
            flags += _loop(group, a, b, pair)
    for name in group.clocks:
        views = len(tracks[name].t_s)
        if tracks[name].left_out > _LEFT_OUT_TOLD * views:
            flags.append(
                f"camera {name}: {tracks[name].left_out} of {views} pictures do not follow the board's motion "
                "(repeated pictures, or wrong time stamps) and were left out"
            )
    return flags


def _loop(group: Group, a: str, b: str, pair: PairClock) -> list[str]:
    t_s = pair.clock.at_s
    direct = pair.clock.after(group.clocks[a])
    miss_s = abs(float(direct.to_reference(np.array(t_s)) - group.clocks[b].to_reference(np.array(t_s))))
    if miss_s <= _LOOP_S + _LOOP_SIGMAS * float(np.hypot(direct.u_s(t_s), group.clocks[b].u_s(t_s))):
        return []
    return [f"the clocks of {a} and {b} contradict those of the other cameras by {miss_s * 1e3:.1f} ms"]
