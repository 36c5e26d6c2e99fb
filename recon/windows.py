"""When somebody serves, from what one camera saw of the body: cheap enough for half an hour of video.

A serve shows in a few looks a second: the tossing arm goes up, then the hitting hand passes high above its
shoulder at speed and comes down. Lengths are in trunks (shoulders to hips) as the picture shows them, so that
distance and focal length cancel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput

NEEDED = tuple(f"{side}_{part}" for side in ("left", "right") for part in ("shoulder", "wrist", "hip"))
"""The points that the search looks at."""

_TOSSED_S = (0.7, 0.05)  # before contact: the ball is in the air (tosses on record take 0.7 to 1.1 s)
_BALL_UP, _BALL_ASIDE = 0.3, 3.0  # trunks above the shoulders, and from them: where a toss is


@dataclass(frozen=True, kw_only=True, slots=True)
class WindowOptions:
    """What counts as a serve and how much of the clip belongs to it.

    Heights above the shoulders and speeds in trunks; a trunk is about half a metre. Straight arms reach one
    trunk up, so that the limits leave room for a camera that looks down and for looks between the peaks.

    toss_up, hit_up   least heights of the tossing and the hitting wrist
    toss_before_s     the tossing arm is up this long before contact (serves on record: 0.2 to 1.0 s)
    toss_down         and has come down by this much when the ball is hit
    down_s            the hitting wrist is below the shoulders this soon after
    speed             of the hitting wrist near contact, trunks a second (1.5 m/s; real ones reach 7 and more)
    apart_s           nobody serves twice in so short a time
    before_s, after_s what is cut around contact: rest before the start, toss and swing, landing
    """

    toss_up: float = 0.55
    hit_up: float = 0.6
    toss_before_s: tuple[float, float] = (0.1, 1.4)
    toss_down: float = 0.35
    down_s: float = 0.8
    speed: float = 3.0
    apart_s: float = 2.5
    before_s: float = 3.5
    after_s: float = 1.5

    def __post_init__(self) -> None:
        positive = (self.toss_up, self.hit_up, self.toss_down, self.down_s, self.speed, self.apart_s)
        if (
            min(*positive, self.before_s, self.after_s) <= 0
            or not 0 <= self.toss_before_s[0] < self.toss_before_s[1]
        ):
            raise BadInput(f"windows: want positive limits and an increasing toss_before_s, got {self}")


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment that looks like contact: camera time, height and least speed of the hitting wrist around it.

    Height in trunks; speed in trunks a second, the slower of the steps to the looks before and after.
    """

    t_cam_s: float
    height: float
    speed: float


def find_moments(
    t_cam_s: Array,
    uv_px: Array,
    keypoints: Sequence[str],
    handedness: Literal["right", "left"],
    options: WindowOptions | None = None,
) -> tuple[Moment, ...]:
    """Moments of one clip at which somebody seems to hit a serve, in order of time.

    t_cam_s    (T,) looks, increasing, from 8 a second; more tell the moment better
    uv_px      (T, P, 2) pixels, upright picture, NaN where unseen; keypoints names the P points
    Raises BadInput where a point of NEEDED is not among the keypoints.
    """
    options = options or WindowOptions()
    missing = [name for name in NEEDED if name not in keypoints]
    if missing:
        raise BadInput(f"windows: want the points {', '.join(NEEDED)}; {', '.join(missing)} missing")
    t = np.asarray(t_cam_s, dtype=float)
    if len(t) < 8:
        return ()
    hit, toss, steps = _heights(t, np.asarray(uv_px, dtype=float), list(keypoints), handedness)
    found = [
        Moment(float(t[k]), float(hit[k]), float(np.nan_to_num(np.fmin(*steps)[k])))
        for k in np.flatnonzero(hit > options.hit_up)
        if _is_contact(int(k), t, hit, toss, np.fmax(*steps), options)
    ]
    return _fastest(found, options.apart_s)


def may_serve(uv_px: Array, keypoints: Sequence[str], raised: float = 0.25) -> bool:
    """Whether one look shows a hand `raised` trunks or more above the shoulders: a serve may be under way.

    uv_px (P, 2) pixels, upright picture, NaN where unseen; keypoints names the P points, NEEDED among them.
    """
    at = dict(zip(keypoints, np.asarray(uv_px, dtype=float), strict=True))
    shoulders = (at["left_shoulder"] + at["right_shoulder"]) / 2
    trunk = np.linalg.norm((at["left_hip"] + at["right_hip"]) / 2 - shoulders)
    up = [shoulders[1] - at[f"{side}_wrist"][1] for side in ("left", "right")]
    return bool(np.fmax(*up) > raised * trunk)


def ball_share(t_s: Array, uv_px: Array, keypoints: Sequence[str], contact_s: float) -> float:
    """Share of the pictures of a toss that show a ball above the server: near 0 for a swing without one.

    t_s (T,), uv_px (T, P, 2) of any pictures around the contact; NaN where they show no toss or no shoulders.
    """
    if "ball" not in keypoints:
        return np.nan
    at = {name: uv_px[:, keypoints.index(name)] for name in (*NEEDED, "ball")}
    tossed = (t_s >= contact_s - _TOSSED_S[0]) & (t_s <= contact_s - _TOSSED_S[1])
    shoulders = np.nanmedian((at["left_shoulder"] + at["right_shoulder"])[tossed] / 2, axis=0)
    hips = np.nanmedian((at["left_hip"] + at["right_hip"])[tossed] / 2, axis=0)
    aside, down = (at["ball"][tossed] - shoulders).T / np.linalg.norm(hips - shoulders)
    return float(np.mean((down < -_BALL_UP) & (np.abs(aside) < _BALL_ASIDE))) if tossed.any() else np.nan


def _heights(t: Array, uv: Array, names: list[str], handedness: str) -> tuple[Array, Array, Array]:
    """Heights (T,) of both wrists above the shoulders; the hitting one's speeds (2, T) around each look."""
    at = {name: uv[:, names.index(name)] for name in NEEDED}
    shoulders = (at["left_shoulder"] + at["right_shoulder"]) / 2
    hips = (at["left_hip"] + at["right_hip"]) / 2
    trunk = _steady(np.linalg.norm(hips - shoulders, axis=1), t)
    tossing = "left" if handedness == "right" else "right"
    hit, toss = at[f"{handedness}_wrist"], at[f"{tossing}_wrist"]
    with np.errstate(invalid="ignore", divide="ignore"):
        velocity = np.linalg.norm(np.diff(hit, axis=0), axis=1) / np.diff(t) / trunk[1:]
        heights = [(shoulders[:, 1] - wrist[:, 1]) / trunk for wrist in (hit, toss)]
    return heights[0], heights[1], np.stack([np.append(np.nan, velocity), np.append(velocity, np.nan)])


def _steady(length: Array, t: Array) -> Array:
    """Median (T,) over two seconds around each look: a trunk foreshortens as it turns and bends."""
    half = max(1, round(1.0 / float(np.median(np.diff(t)))))
    padded = np.pad(length, half, constant_values=np.nan)
    views = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    out = np.full(len(length), np.nan)
    some = ~np.isnan(views).all(axis=1)
    out[some] = np.nanmedian(views[some], axis=1)
    return np.where(out > 0, out, np.nan)


def _is_contact(k: int, t: Array, hit: Array, toss: Array, speed: Array, options: WindowOptions) -> bool:
    near = np.abs(t - t[k]) < 0.3
    if not hit[k] >= np.nanmax(hit[np.abs(t - t[k]) < 0.15]):
        return False
    before = (t >= t[k] - options.toss_before_s[1]) & (t <= t[k] - options.toss_before_s[0])
    after = (t > t[k]) & (t <= t[k] + options.down_s)
    if not before.any() or not after.any() or np.isnan(toss[before]).all() or np.isnan(hit[after]).all():
        return False
    top = np.nanmax(toss[before])
    now = np.nanmin(toss[near]) if not np.isnan(toss[near]).all() else -np.inf
    return bool(
        top > options.toss_up
        and top - now > options.toss_down
        and np.nanmin(hit[after]) < 0
        and np.nanmax(speed[near], initial=0.0) > options.speed
    )


def _fastest(found: list[Moment], apart_s: float) -> tuple[Moment, ...]:
    """Of moments close together the one with the fastest hand.

    A detector that exchanges left and right for a while takes the tossing hand for the hitting one: that is as
    high, but rests there.
    """
    kept: list[Moment] = []
    for moment in sorted(found, key=lambda m: -m.speed):
        if all(abs(moment.t_cam_s - other.t_cam_s) > apart_s for other in kept):
            kept.append(moment)
    return tuple(sorted(kept, key=lambda m: m.t_cam_s))
