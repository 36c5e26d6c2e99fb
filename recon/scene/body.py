"""The person, the racket and the ball at one instant."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration import Array
from recon.records import BONES, EDGES, BallFlight, Motion, PointStatus, side_names
from recon.scene import palette
from recon.scene.parts import Dots, Lines, Part

_ARM = ("elbow", "wrist", "index", "pinky", "thumb")
_LEG = ("knee", "ankle", "heel", "toe")
_HEAD_BONES = tuple((end, edge) for edge in EDGES for end in ("racket_throat", "racket_tip"))
_DASHES = 5
_FACE = ("nose", "left_eye", "right_eye", "left_ear", "right_ear")

GROUPS: dict[str, tuple[str, str, float]] = {
    "trunk": ("trunk and head", palette.TRUNK, 7.0),
    "hitting_arm": ("hitting arm", palette.HITTING, 10.0),
    "tossing_arm": ("tossing arm", palette.TOSSING, 6.0),
    "front_leg": ("front leg", palette.FOOT, 10.0),
    "back_leg": ("back leg", palette.PURPLE, 6.0),
    "racket": ("racket, broken where inferred", palette.RACKET, 6.0),
}
"""Group of bones -> words, colour, line width. Hitting arm and front leg are wide, not only coloured."""


def group_of(bone: tuple[str, str], handedness: str) -> str:
    """The group that a bone belongs to, a key of GROUPS. handedness is "right" or "left"."""
    if bone[0].startswith("racket"):
        return "racket"
    side, _, part = bone[1].partition("_")
    sides = side_names(handedness)
    if part in _ARM:
        return "hitting_arm" if side == sides["hitting"] else "tossing_arm"
    if part in _LEG:
        return "front_leg" if side == sides["front"] else "back_leg"
    return "trunk"


def positions_at(motion: Motion, t_s: float) -> Array:
    """(P, 3) positions at a rig time, linear between samples; NaN where absent or outside the motion."""
    t = motion.t_s
    if not t[0] <= t_s <= t[-1]:
        return np.full(motion.xyz_m.shape[1:], np.nan)
    i = min(int(np.searchsorted(t, t_s, side="right")) - 1, len(t) - 2)
    w = (t_s - t[i]) / (t[i + 1] - t[i])
    if w == 0.0 or w == 1.0:  # a sample itself, even where its neighbour is absent
        return np.array(motion.xyz_m[i + int(w)])
    return np.asarray((1 - w) * motion.xyz_m[i] + w * motion.xyz_m[i + 1])


def bones_by_group(keypoints: tuple[str, ...], handedness: str) -> dict[str, list[tuple[int, int]]]:
    """Pairs of columns to join, per group; bones whose points are not followed are left out."""
    out: dict[str, list[tuple[int, int]]] = {group: [] for group in GROUPS}
    for bone in (*BONES, *_HEAD_BONES):
        if bone[0] in keypoints and bone[1] in keypoints:
            pair = (keypoints.index(bone[0]), keypoints.index(bone[1]))
            out[group_of(bone, handedness)].append(pair)
    return out


def measured_at(motion: Motion, t_s: float) -> NDArray[np.bool_]:
    """(P,) whether cameras saw a point at the sample nearest to a rig time, and it was not told by others."""
    return np.asarray(motion.status[motion.nearest(t_s)] == PointStatus.OK)


def strokes(positions: Array, measured: NDArray[np.bool_], pairs: Sequence[tuple[int, int]]) -> Array:
    """(N, 2, ...) strokes that join pairs of points (P, ...): broken where an end was not measured, no stroke
    where one is absent."""
    out = []
    for i, j in pairs:
        a, b = positions[i], positions[j]
        if not (np.isfinite(a).all() and np.isfinite(b).all()):
            continue
        whole = measured[i] and measured[j]
        cuts = [(0.0, 1.0)] if whole else [((k + 0.2) / _DASHES, (k + 0.8) / _DASHES) for k in range(_DASHES)]
        out += [(a + start * (b - a), a + stop * (b - a)) for start, stop in cuts]
    return np.array(out).reshape(-1, 2, positions.shape[1])


def _present(ends: Array) -> Array:
    return np.asarray(ends[np.isfinite(ends).all(axis=(1, 2))])


def skeleton(motion: Motion, handedness: str, t_s: float) -> tuple[Part, ...]:
    """Bones and racket by group, joints, head, all at one rig time. Absent points are not drawn."""
    xyz, measured = positions_at(motion, t_s), measured_at(motion, t_s)
    parts: list[Part] = []
    for group, pairs in bones_by_group(motion.keypoints, handedness).items():
        _, colour, width = GROUPS[group]
        racket = (
            group == "racket"
        )  # a bone's bridged end is a matter of frames; a racket's is told to be inferred
        ends = strokes(xyz, measured if racket else np.ones(len(xyz), dtype=bool), pairs)
        parts.append(Lines(group, "racket" if racket else "body", ends, colour, width))
    drawn = [i for i, k in enumerate(motion.keypoints) if k != "ball" and "racket" not in k and k not in _FACE]
    joints = xyz[drawn]
    parts.append(Dots("joints", "body", joints[np.isfinite(joints).all(axis=1)], palette.TRUNK, 0.02))
    reach = _reach(motion.keypoints, xyz, handedness)
    return (*parts, reach, _head(motion.keypoints, xyz), _tip(motion.keypoints, xyz, measured))


def _reach(keypoints: tuple[str, ...], xyz: Array, handedness: str) -> Lines:
    """A thin line from the hitting wrist to the racket tip where butt or throat is absent."""
    names = (f"{side_names(handedness)['hitting']}_wrist", "racket_tip")
    ends = np.full((1, 2, 3), np.nan)
    whole = [keypoints.index(k) for k in ("racket_butt", "racket_throat", "racket_tip") if k in keypoints]
    if all(k in keypoints for k in names) and not (len(whole) == 3 and np.isfinite(xyz[whole]).all()):
        ends = xyz[None, [keypoints.index(k) for k in names]]
    return Lines("racket_reach", "racket", _present(ends), palette.RACKET, 1.5)


def _head(keypoints: tuple[str, ...], xyz: Array) -> Dots:
    ears = [xyz[keypoints.index(k)] for k in ("left_ear", "right_ear") if k in keypoints]
    at = np.mean(ears, axis=0)[None] if ears else np.zeros((0, 3))
    return Dots("head", "body", at[np.isfinite(at).all(axis=1)], palette.HEAD, 0.095)


def _tip(keypoints: tuple[str, ...], xyz: Array, measured: NDArray[np.bool_]) -> Dots:
    """The tip, small where it is inferred."""
    if "racket_tip" not in keypoints:
        return Dots("racket_tip", "racket", np.zeros((0, 3)), palette.RACKET, 0.03)
    p = keypoints.index("racket_tip")
    at = xyz[[p]]
    return Dots(
        "racket_tip", "racket", at[np.isfinite(at).all(axis=1)], palette.RACKET, 0.03 if measured[p] else 0.015
    )


def ball(motion: Motion, flight: BallFlight | None, t_s: float) -> Dots:
    """The ball at one rig time: as followed, else on its fitted free flight while that lasted."""
    at = np.full(3, np.nan)
    if "ball" in motion.keypoints:
        at = positions_at(motion, t_s)[motion.index("ball")]
    if not np.isfinite(at).all() and flight is not None and flight.t0_s <= t_s <= flight.t1_s:
        at = flight.at(np.array(t_s))
    xyz = at[None] if np.isfinite(at).all() else np.zeros((0, 3))
    return Dots("ball", "ball", xyz, palette.BALL, 0.033)
