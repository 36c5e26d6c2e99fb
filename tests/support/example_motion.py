"""An INVENTED serve-like motion for tests of what shows results: nobody served it and nothing was filmed.

Written as a right-hander's; the left-hander's is its mirror image in the plane x = 0.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import PchipInterpolator

from calibration import Array
from recon.body import unit
from recon.planning.skeleton import bent, level
from recon.records import BODY, KEYPOINTS

RATE_HZ = 120.0
LENGTH_S = 1.65
GRAVITY_M_S2 = 9.81
EVENT_TIMES_S = {
    "stance": 0.10,
    "start": 0.22,
    "release": 0.62,
    "trophy": 0.98,
    "deepest_bend": 1.02,
    "push_off": 1.20,
    "racket_low": 1.22,
    "contact": 1.34,
}
"""The script's own instants, seconds; the clip ends before the landing."""

_KEYS_S = (0.0, 0.22, 0.62, 0.98, 1.08, 1.22, 1.34, 1.48, LENGTH_S)
_UP = np.array([0.0, 0.0, 1.0])
_UPPER_ARM_M, _FOREARM_M, _THIGH_M, _SHANK_M = 0.31, 0.27, 0.44, 0.43
_RACKET_M, _HANDLE_M = 0.685, 0.33
_BALL_AWAY_M_S = np.array([-2.0, 38.0, -3.0])


def _channel(t_s: Array, *keys: tuple[float, ...] | float) -> Array:
    """Smooth values through one key per entry of _KEYS_S, never overshooting them."""
    return np.asarray(PchipInterpolator(_KEYS_S, np.asarray(keys, dtype=float))(t_s))


def _foot(p: dict[str, Array], side: str, toe: Array, yaw_deg: Array, heel_up_m: Array) -> None:
    ahead = level(yaw_deg)
    p[f"{side}_toe"] = toe
    p[f"{side}_heel"] = toe - 0.23 * ahead + heel_up_m[:, None] * _UP
    p[f"{side}_ankle"] = toe - 0.17 * ahead + (heel_up_m[:, None] + 0.075) * _UP


def _trunk(p: dict[str, Array], t: Array) -> Array:
    """Hips, shoulders and head; returns where the chest faces, (T, 3)."""
    pelvis = _channel(
        t, (0.0, -0.36, 0.97), (0.0, -0.36, 0.96), (0.0, -0.30, 0.91), (0.01, -0.12, 0.83),
        (0.01, -0.05, 0.83), (0.01, 0.08, 1.00), (0.02, 0.17, 1.12), (0.0, 0.32, 1.10), (0.0, 0.44, 1.03),
    )  # fmt: skip
    lean = _channel(
        t, (0.05, 0.05), (0.08, 0.03), (0.02, -0.12), (-0.05, -0.38), (-0.05, -0.36), (-0.15, 0.05),
        (-0.28, 0.28), (-0.15, 0.55), (0.0, 0.7),
    )  # fmt: skip
    spine = unit(np.concatenate([lean, np.ones((len(t), 1))], axis=-1))
    hips = level(_channel(t, 15, 15, 8, 5, 10, 45, 70, 85, 95))
    chest = level(_channel(t, 12, 10, -10, -18, -12, 30, 80, 105, 120))
    across_hips = np.cross(hips, _UP)
    across_chest = unit(np.cross(chest, spine))
    neck = pelvis + 0.52 * spine
    for sign, side in ((1, "right"), (-1, "left")):
        p[f"{side}_hip"] = pelvis + sign * 0.10 * across_hips
        p[f"{side}_shoulder"] = neck + sign * 0.185 * across_chest
    look = unit(chest + _channel(t, 0.0, 0.1, 0.5, 0.9, 1.0, 1.0, 0.9, 0.2, 0.0)[:, None] * _UP)
    head = neck + 0.20 * unit(spine + 0.2 * look)
    p["nose"] = head + 0.10 * look
    for sign, side in ((1, "right"), (-1, "left")):
        p[f"{side}_ear"] = head + sign * 0.075 * across_chest
        p[f"{side}_eye"] = head + 0.08 * look + sign * 0.032 * across_chest + 0.03 * spine
    return chest


def _legs(p: dict[str, Array], t: Array) -> None:
    front = _channel(
        t, (0.13, -0.09, 0.02), (0.13, -0.09, 0.02), (0.13, -0.09, 0.02), (0.13, -0.09, 0.02),
        (0.13, -0.09, 0.02), (0.12, -0.06, 0.03), (0.10, 0.10, 0.14), (0.08, 0.42, 0.10), (0.08, 0.55, 0.03),
    )  # fmt: skip
    back = _channel(
        t, (0.10, -0.62, 0.02), (0.10, -0.62, 0.02), (0.10, -0.62, 0.02), (0.10, -0.58, 0.02),
        (0.10, -0.50, 0.03), (0.05, -0.35, 0.10), (-0.05, -0.20, 0.30), (-0.1, -0.10, 0.5), (-0.1, 0.05, 0.6),
    )  # fmt: skip
    _foot(p, "left", front, _channel(t, 22, 22, 23, 26, 29, 38, 60, 80, 85),
          _channel(t, 0.02, 0.02, 0.02, 0.03, 0.05, 0.13, 0.12, 0.06, 0.03))  # fmt: skip
    _foot(p, "right", back, _channel(t, -5, -5, -4, 0, 4, 20, 40, 60, 70),
          _channel(t, 0.02, 0.02, 0.02, 0.10, 0.14, 0.16, 0.16, 0.16, 0.16))  # fmt: skip
    for side in ("left", "right"):
        ahead = unit(p[f"{side}_toe"] - p[f"{side}_heel"])
        knee, ankle = bent(p[f"{side}_hip"], p[f"{side}_ankle"], _THIGH_M, _SHANK_M, ahead)
        p[f"{side}_knee"], shift = knee, ankle - p[f"{side}_ankle"]
        for part in ("ankle", "heel", "toe"):  # a leg too short lifts its foot
            p[f"{side}_{part}"] = p[f"{side}_{part}"] + shift


def _arms(p: dict[str, Array], t: Array, chest: Array) -> None:
    tossing = _channel(
        t, (0.30, 0.10, -0.25), (0.30, 0.10, -0.28), (0.25, 0.25, 0.45), (0.10, 0.22, 0.53),
        (0.12, 0.25, 0.48), (0.25, 0.05, 0.0), (0.12, -0.12, -0.22), (0.15, -0.1, -0.2), (0.1, -0.15, -0.3),
    )  # fmt: skip
    hitting = _channel(
        t, (0.34, 0.25, -0.22), (0.34, 0.25, -0.25), (0.05, -0.42, -0.25), (0.22, -0.22, 0.24),
        (0.14, -0.24, 0.26), (0.02, -0.16, 0.34), (0.05, 0.16, 0.55), (-0.1, 0.45, 0.1), (-0.25, 0.3, -0.35),
    )  # fmt: skip
    pole = _channel(
        t, (0, -0.3, -1), (0, -0.3, -1), (-0.3, -0.7, -0.6), (-0.3, -1, -0.1), (-0.1, -0.7, 0.3), (0.6, 0, 0.5),
        (0.7, -0.3, -0.2), (0.3, 0.2, 0.5), (0.3, 0.1, 0.5),
    )  # fmt: skip
    racket = unit(
        _channel(
            t, (0.6, 0.7, 0.35), (0.6, 0.7, 0.3), (-0.1, -0.9, -0.4), (-0.15, -0.25, 0.95), (-0.5, -0.10, 0.5),
            (-0.35, 0.30, -0.9), (-0.1, 0.1, 1.0), (-0.1, 0.9, -0.5), (-0.6, -0.2, -0.7),
        )
    )  # fmt: skip
    down = np.broadcast_to(-_UP, chest.shape)
    for side, reach, bend in (("left", tossing, down), ("right", hitting, pole)):
        shoulder = p[f"{side}_shoulder"]
        elbow, wrist = bent(shoulder, shoulder + reach, _UPPER_ARM_M, _FOREARM_M, bend)
        ahead, out = unit(wrist - elbow), unit(np.cross(wrist - elbow, chest))
        p[f"{side}_elbow"], p[f"{side}_wrist"] = elbow, wrist
        for part, sideways in (("index", 0.03), ("pinky", -0.03), ("thumb", 0.045)):
            p[f"{side}_{part}"] = wrist + (0.06 if part == "thumb" else 0.09) * ahead + sideways * out
    butt = p["right_wrist"] + 0.05 * unit(p["right_wrist"] - p["right_elbow"]) - 0.06 * racket
    p["racket_butt"], p["racket_throat"] = butt, butt + _HANDLE_M * racket
    p["racket_tip"] = butt + _RACKET_M * racket


def _ball(p: dict[str, Array], t: Array) -> tuple[Array, Array]:
    """The ball in the hand, in free flight, and away; returns its release position and velocity."""
    released, hit = (round(EVENT_TIMES_S[e] * RATE_HZ) for e in ("release", "contact"))
    hand = p["left_wrist"] + 0.10 * unit(p["left_wrist"] - p["left_elbow"])
    start, end, flown_s = hand[released], (p["racket_tip"] + p["racket_throat"])[hit] / 2, t[hit] - t[released]
    velocity = (end - start) / flown_s + 0.5 * GRAVITY_M_S2 * flown_s * _UP
    dt = (t - t[released])[:, None]
    flight = start + velocity * dt - 0.5 * GRAVITY_M_S2 * dt**2 * _UP
    after = end + (t - t[hit])[:, None] * _BALL_AWAY_M_S
    i = np.arange(len(t))[:, None]
    p["ball"] = np.where(i <= released, hand, np.where(i <= hit, flight, after))
    return start, velocity


def _mirrored(p: dict[str, Array]) -> dict[str, Array]:
    other = {"left": "right", "right": "left"}
    flip = np.array([-1.0, 1.0, 1.0])
    return {
        "_".join(other.get(word, word) for word in name.split("_")) if name in BODY else name: xyz * flip
        for name, xyz in p.items()
    }


def invented_motion(handedness: str) -> tuple[Array, Array, Array, Array]:
    """Times (T,), positions (T, P, 3) in the order of KEYPOINTS, and the ball's release point and velocity."""
    t = np.arange(int(LENGTH_S * RATE_HZ) + 1) / RATE_HZ
    p: dict[str, Array] = {}
    chest = _trunk(p, t)
    _legs(p, t)
    _arms(p, t, chest)
    start, velocity = _ball(p, t)
    if handedness == "left":
        p, flip = _mirrored(p), np.array([-1.0, 1.0, 1.0])
        start, velocity = start * flip, velocity * flip
    return t, np.stack([p[name] for name in KEYPOINTS], axis=1), start, velocity
