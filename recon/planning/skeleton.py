"""The skeleton of the stand-in athlete in an INVENTED serve: nobody served it and nothing was filmed.

Written as a right-hander's of 1.80 m; other heights scale it, a left-hander gets its mirror image in x = 0.
Lengths and angles are plausible, not measured; a plan only asks where a body's parts are in a serve, how fast
they move and what they hide.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from calibration.checks import Array
from recon.body import unit
from recon.records import BODY, RACKET, other_side

POINTS: tuple[str, ...] = (*BODY, *RACKET)
"""What a plan follows: the stored points without the ball."""

KEYS_S = (-1.30, -1.05, -0.70, -0.42, -0.30, -0.16, -0.10, -0.04, 0.0, 0.06, 0.20)
"""Times of the keys, seconds from contact; before the first the athlete stands still."""
RACKET_KEYS_S = (-1.30, -1.05, -0.70, -0.42, -0.30, -0.16, -0.10, -0.05, -0.02, 0.0, 0.02, 0.06, 0.20)
"""The racket's own: closer together around contact, where it turns fastest."""

HEIGHT_M = 1.80
RACKET_M, HANDLE_M, GRIP_M = 0.685, 0.34, 0.07
"""Racket: whole length, butt to throat, butt to the middle of the hand. Usual adult racket: 27 inches."""

_UPPER_ARM_M, _FOREARM_M, _THIGH_M, _SHANK_M = 0.30, 0.27, 0.44, 0.43
_SHOULDER_M, _HIP_M, _SPINE_M, _FOOT_M = 0.185, 0.10, 0.52, 0.23
_FRONT_TOE_X_M, _BEHIND_M = 0.10, 0.05  # of the keys below: where the toe stands, and how far it is moved back
_UP = np.array([0.0, 0.0, 1.0])


def keyed(t_s: Array, *keys: tuple[float, ...] | float, times_s: tuple[float, ...] = KEYS_S) -> Array:
    """Smooth values through one key per entry of times_s, without overshoot, level outside them."""
    inside = np.clip(t_s, times_s[0], times_s[-1])
    return np.asarray(PchipInterpolator(times_s, np.asarray(keys, dtype=float))(inside))


def level(angle_deg: Array) -> Array:
    """Horizontal unit vectors (T, 3) at an angle from +x towards +y."""
    a = np.deg2rad(angle_deg)
    return np.stack([np.cos(a), np.sin(a), np.zeros_like(a)], axis=-1)


def bent(root: Array, end: Array, upper_m: float, lower_m: float, pole: Array) -> tuple[Array, Array]:
    """Middle joint and end (T, 3) of a two-part limb that reaches for `end` and bends towards `pole`."""
    reach = end - root
    d = np.clip(np.linalg.norm(reach, axis=-1, keepdims=True), 0.05, 0.999 * (upper_m + lower_m))
    along = unit(reach)
    side = unit(pole - (pole * along).sum(axis=-1, keepdims=True) * along)
    a = (d**2 + upper_m**2 - lower_m**2) / (2 * d)
    return root + a * along + np.sqrt(np.maximum(upper_m**2 - a**2, 0.0)) * side, root + d * along


def points_at(t_s: Array, height_m: float, handedness: str, front_toe_x_m: float) -> Array:
    """(T, P, 3) points in the order of POINTS at times from contact, court frame, metres.

    In the stance the front toe stands at x = front_toe_x_m, a little behind the baseline.
    """
    t = np.asarray(t_s, dtype=float)
    p: dict[str, Array] = {}
    chest = _trunk(p, t)
    _legs(p, t)
    _arms(p, t, chest)
    toe = np.array([_FRONT_TOE_X_M, _BEHIND_M, 0.0])
    p = {name: (xyz - toe) * (height_m / HEIGHT_M) for name, xyz in p.items()}
    if handedness == "left":
        p = _mirrored(p)
    # the racket is what it is, whoever holds it
    butt, axis = p["racket_butt"], unit(p["racket_tip"] - p["racket_butt"])
    p |= {"racket_throat": butt + HANDLE_M * axis, "racket_tip": butt + RACKET_M * axis}
    return np.stack([p[name] for name in POINTS], axis=1) + (front_toe_x_m, 0.0, 0.0)


def _mirrored(p: dict[str, Array]) -> dict[str, Array]:
    """The same points of a left-hander: mirrored in x, left and right exchanged."""
    return {other_side(name) if name in BODY else name: xyz * (-1, 1, 1) for name, xyz in p.items()}


def _trunk(p: dict[str, Array], t: Array) -> Array:
    """Hips, shoulders and head; returns where the chest faces, (T, 3)."""
    pelvis = keyed(
        t, (0.02, -0.30, 0.96), (0.02, -0.32, 0.95), (0.02, -0.24, 0.91), (0.02, -0.10, 0.83),
        (0.02, -0.03, 0.82), (0.03, 0.06, 0.98), (0.03, 0.10, 1.05), (0.03, 0.15, 1.11),
        (0.03, 0.19, 1.13), (0.02, 0.26, 1.13),
        (0.0, 0.40, 1.05),
    )  # fmt: skip
    lean = keyed(
        t, (0.05, 0.05), (0.07, 0.02), (0.0, -0.12), (-0.10, -0.34), (-0.12, -0.34), (-0.22, -0.08),
        (-0.28, 0.05), (-0.34, 0.18), (-0.36, 0.26), (-0.30, 0.45), (-0.05, 0.75),
    )  # fmt: skip
    spine = unit(np.concatenate([lean, np.ones((len(t), 1))], axis=-1))
    hips = level(keyed(t, 15, 14, 6, 2, 6, 35, 52, 68, 75, 85, 95))
    chest = level(keyed(t, 12, 8, -10, -20, -14, 12, 32, 62, 80, 100, 118))
    across = unit(np.cross(chest, spine))
    neck = p["neck"] = pelvis + _SPINE_M * spine
    for sign, side in ((1, "right"), (-1, "left")):
        p[f"{side}_hip"] = pelvis + sign * _HIP_M * np.cross(hips, _UP)
        p[f"{side}_shoulder"] = neck + sign * _SHOULDER_M * across
    look = unit(chest + keyed(t, 0, 0, 0.5, 1.0, 1.0, 1.0, 1.0, 0.9, 0.8, 0.3, 0)[:, None] * _UP)
    head = neck + 0.20 * unit(spine + 0.2 * look)
    p["nose"] = head + 0.10 * look
    for sign, side in ((1, "right"), (-1, "left")):
        p[f"{side}_ear"] = head + sign * 0.075 * across
        p[f"{side}_eye"] = head + 0.08 * look + sign * 0.032 * across + 0.03 * spine
    return chest


def _foot(p: dict[str, Array], side: str, toe: Array, yaw_deg: Array, heel_up_m: Array) -> None:
    ahead = level(yaw_deg)
    p[f"{side}_toe"] = toe
    p[f"{side}_heel"] = toe - _FOOT_M * ahead + heel_up_m[:, None] * _UP
    p[f"{side}_ankle"] = toe - 0.17 * ahead + (heel_up_m[:, None] + 0.07) * _UP


def _legs(p: dict[str, Array], t: Array) -> None:
    front = keyed(
        t, *[(0.10, 0.02, 0.02)] * 6, (0.10, 0.05, 0.08), (0.10, 0.10, 0.16), (0.10, 0.15, 0.19),
        (0.09, 0.26, 0.20), (0.06, 0.52, 0.05),
    )  # fmt: skip
    back = keyed(
        t, *[(0.06, -0.52, 0.02)] * 4, (0.06, -0.50, 0.02), (0.05, -0.40, 0.08), (0.04, -0.33, 0.16),
        (0.02, -0.26, 0.26), (0.0, -0.22, 0.32), (-0.03, -0.15, 0.45), (-0.06, 0.0, 0.60),
    )  # fmt: skip
    creep = 0.8 * (np.asarray(t) + 1.5)  # a standing foot is never quite still, degrees
    _foot(p, "left", front, keyed(t, 20, 20, 21, 23, 25, 31, 36, 46, 54, 66, 84) + creep,
          keyed(t, 0, 0, 0, 0, 0.02, 0.10, 0.13, 0.13, 0.12, 0.10, 0.03))  # fmt: skip
    _foot(p, "right", back, keyed(t, -4, -4, -4, 0, 5, 18, 26, 36, 42, 50, 62),
          keyed(t, 0, 0, 0, 0.04, 0.10, 0.16, 0.17, 0.17, 0.17, 0.17, 0.17))  # fmt: skip
    for side in ("left", "right"):
        ahead = unit(p[f"{side}_toe"] - p[f"{side}_heel"])
        knee, ankle = bent(p[f"{side}_hip"], p[f"{side}_ankle"], _THIGH_M, _SHANK_M, ahead)
        shift = ankle - p[f"{side}_ankle"]  # a leg too short lifts its foot
        p[f"{side}_knee"] = knee
        for part in ("ankle", "heel", "toe"):
            p[f"{side}_{part}"] = p[f"{side}_{part}"] + shift


def _arms(p: dict[str, Array], t: Array, chest: Array) -> None:
    """Both arms by where the hand is from its shoulder, and the racket by where its axis points."""
    tossing = keyed(
        t, (0.28, 0.12, -0.28), (0.25, 0.12, -0.34), (0.20, 0.28, 0.32), (0.06, 0.22, 0.52), (0.08, 0.24, 0.49),
        (0.20, 0.16, 0.14), (0.20, 0.06, -0.06), (0.16, -0.02, -0.18), (0.12, -0.06, -0.20),
        (0.10, -0.08, -0.2), (0.10, -0.12, -0.25),
    )  # fmt: skip
    hitting = keyed(
        t, (0.30, 0.22, -0.26), (0.24, 0.16, -0.32), (0.10, -0.40, -0.16), (0.20, -0.24, 0.22),
        (0.16, -0.24, 0.25), (0.06, -0.22, 0.30), (0.06, -0.14, 0.36), (0.06, 0.02, 0.47),
        (0.06, 0.12, 0.54), (0.0, 0.32, 0.42),
        (-0.25, 0.34, -0.25),
    )  # fmt: skip
    pole = keyed(
        t, (0, -0.3, -1), (0, -0.3, -1), (-0.2, -0.7, -0.6), (0.2, -1, -0.2), (0.3, -0.9, 0.0),
        (0.7, -0.2, 0.4), (0.8, 0.0, 0.4), (0.8, 0.0, 0.1), (0.7, -0.2, -0.2), (0.5, 0.2, 0.3), (0.3, 0.1, 0.5),
    )  # fmt: skip
    racket = unit(
        keyed(
            t, (0.5, 0.75, 0.35), (0.5, 0.7, 0.1), (0.0, -0.85, -0.3), (-0.15, -0.30, 0.92),
            (-0.40, -0.20, 0.70), (-0.25, -0.20, -0.75), (0.05, -0.25, -0.95), (0.60, -0.60, -0.50),
            (0.22, -0.68, 0.66), (-0.05, 0.05, 1.0), (-0.30, 0.75, 0.60), (-0.35, 0.95, -0.30),
            (-0.6, -0.3, -0.7), times_s=RACKET_KEYS_S,
        )
    )  # fmt: skip
    down = np.broadcast_to(-_UP, chest.shape)
    for side, reach, bend in (("left", tossing, down), ("right", hitting, pole)):
        shoulder = p[f"{side}_shoulder"]
        elbow, wrist = bent(shoulder, shoulder + reach, _UPPER_ARM_M, _FOREARM_M, bend)
        ahead, out = unit(wrist - elbow), unit(np.cross(wrist - elbow, chest))
        p[f"{side}_elbow"], p[f"{side}_wrist"] = elbow, wrist
        for part, along, sideways in (("index", 0.09, 0.03), ("pinky", 0.09, -0.03), ("thumb", 0.06, 0.045)):
            p[f"{side}_{part}"] = wrist + along * ahead + sideways * out
    hand = p["right_wrist"] + 0.06 * unit(p["right_wrist"] - p["right_elbow"])
    p["racket_butt"] = hand - GRIP_M * racket
    p["racket_throat"] = p["racket_butt"] + HANDLE_M * racket
    p["racket_tip"] = p["racket_butt"] + RACKET_M * racket
