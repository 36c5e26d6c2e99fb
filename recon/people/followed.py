"""Do all cameras follow one person? Where one does not, or lost them: where in its view they must be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry import Camera
from recon.people.meeting import ENOUGH, IN_THE_AIR_M, View, closest, cost, hips_m, lowest_m
from recon.people.place import STRAYED_M, USUAL_M, away_m, body_boxes, on_level
from recon.people.sightings import HIPS, NOSE, middles
from recon.records import BODY, Clocks, Tracks2D
from recon.resample import at_times, common_times

_BRIDGED_S = 0.5  # nobody is seen that long, and the track still goes on between both ends
_STEP_OFF_M, _STEP_OFF_M_S = 0.6, 3.0  # how far a server gets from where he was last agreed on, and the error
_LASTING_S = 0.08  # shorter disagreements are of the detector, not of persons
AGREE = 2.0
"""Two cameras follow one person where their pair costs less: on the demo's serves 99 of 100 cost below 0.1,
while rays to two people may meet for 2.4 and more."""
_UNSURE = 1.0  # of the cost of a pair: a median miss of MISS_M; on the demo's serves it is a tenth of that
_NOSE_SHARE = 0.93
_AHEAD_HEIGHTS = 0.5


class State(IntEnum):
    """How one camera fares with the player at one moment."""

    SAME = 0
    """follows whom the others follow, or cannot be judged and is believed"""
    UNSURE = 1
    """the same person, but the skeletons agree badly"""
    LOST = 2
    """sees nobody, and the player is in its view"""
    MISTAKEN = 3
    """follows somebody else"""
    UNCLEAR = 4
    """the cameras follow different people, and which of them is wrong is not told"""


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """What the cameras' tracks say together.

    t_s (T,) rig times; uv_px (T, C, 27, 2) each camera's body there, NaN where it saw none; state (T, C);
    hips_m (T, 3) a coarse track of the player's hips, NaN where nobody tells; tall_m their height, roughly.
    """

    cameras: tuple[Camera, ...]
    t_s: Array
    uv_px: Array
    state: NDArray[np.int64]
    hips_m: Array
    tall_m: float

    def boxes(self, camera: str, rig_s: Array) -> Array:
        """(K, 3) where the player must be at rig times (K,): middle u, v and larger extent of the body, pixels.

        NaN where the track does not tell, or not inside that camera's picture.
        """
        at = np.stack([np.interp(rig_s, self.t_s, self.hips_m[:, k]) for k in range(3)], axis=-1)
        return body_boxes(self.cameras[self._index(camera)], at, self.tall_m)

    def costs(self, camera: str, rig_s: Array, uv_px: Array) -> Array:
        """(K,) how badly bodies (K, 27, 2) seen by a camera fit the player, as `meeting.cost`; best is 0.

        By the other cameras where they follow the player, worst of all; else by the track's own box.
        """
        k = self._index(camera)
        nearest = self.nearest(rig_s)
        view = View.through(self.cameras[k], uv_px)
        worst = np.full(len(nearest), -np.inf)
        for other in range(len(self.cameras)):
            sure = (self.state[nearest, other] == State.SAME) & ~_unseen(self.uv_px[nearest, other])
            if other != k and sure.any():
                seen = self.uv_px[nearest, other]
                seen = np.where(sure[:, None, None], seen, 0.0)
                each = cost(view, View.through(self.cameras[other], seen), IN_THE_AIR_M)
                worst = np.where(sure, np.maximum(worst, each), worst)
        boxes = self.boxes(camera, rig_s)
        off = np.linalg.norm(middles(uv_px)[:, HIPS] - boxes[:, :2], axis=1) / boxes[:, 2]
        by_box = AGREE * (np.nan_to_num(off, nan=np.inf) / _AHEAD_HEIGHTS) ** 2
        return np.asarray(np.where(np.isfinite(worst), worst, by_box))

    def nearest(self, rig_s: Array) -> NDArray[np.int64]:
        """(K,) rows of the moments nearest to rig times (K,)."""
        step = float(self.t_s[1] - self.t_s[0]) if len(self.t_s) > 1 else 1.0  # they lie evenly
        row = np.round((np.asarray(rig_s) - self.t_s[0]) / step)
        return np.asarray(np.clip(row, 0, len(self.t_s) - 1).astype(np.int64))

    def _index(self, camera: str) -> int:
        return [c.name for c in self.cameras].index(camera)


def compare_followed(cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks) -> Followed:
    """Whether all cameras follow one person, moment by moment, by the whole skeleton's rays.

    Three cameras vote. Of two that disagree the one is believed whose person stands where both agreed on the
    player before and after. Raises NotMeasurable where the clips do not overlap.
    """
    t = common_times(tracks, clocks)
    uv = np.stack(
        [_bodies(at_times(tracks.of(c.name), clocks.of(c.name), t)[0], tracks) for c in cameras], axis=1
    )
    seen = ~_unseen(uv)
    views = [View.through(c, uv[:, k]) for k, c in enumerate(cameras)]
    pairs = _pair_costs(views, seen, t)
    agreed = _largest_agreement(pairs, seen)
    hips = _agreed_hips(views, agreed)
    strayed = away_m(hips[:, :2]) > STRAYED_M  # two cameras may agree on a passer-by
    agreed, hips = agreed & ~strayed[:, None], np.where(strayed[:, None], np.nan, hips)
    tall = _height(views, agreed)
    believed = agreed | _alone(cameras, uv, seen & ~agreed.any(axis=1, keepdims=True), t, hips)
    hips = _with_single_views(cameras, uv, believed & ~agreed, hips)
    state = _states(seen, agreed, believed, pairs, hips)
    hips = _bridged(t, hips)
    followed = Followed(tuple(cameras), t, uv, state, hips, tall)
    for k, camera in enumerate(cameras):
        in_view = ~np.isnan(followed.boxes(camera.name, t)).any(axis=1)
        began, ended = clocks.of(camera.name).rig_time(tracks.of(camera.name).t_cam_s[[0, -1]])
        filmed = (t >= began) & (t <= ended)
        state[:, k] = np.where(~seen[:, k] & in_view & filmed, State.LOST, state[:, k])
    return followed


def _bodies(uv_px: Array, tracks: Tracks2D) -> Array:
    """(T, 27, 2) the body among all keypoints (T, P, 2); NaN where these lack a part."""
    out = np.full((len(uv_px), len(BODY), 2), np.nan)
    for row, name in enumerate(BODY):
        if name in tracks.keypoints:
            out[:, row] = uv_px[:, tracks.index(name)]
    return out


def _unseen(uv_px: Array) -> NDArray[np.bool_]:
    """(...,) whether of a body (..., 27, 2) too little is known to judge by."""
    points = ~np.isnan(middles(uv_px)[..., 0])
    return np.asarray((points.sum(axis=-1) < ENOUGH) | ~points[..., HIPS])


def _pair_costs(views: Sequence[View], seen: NDArray[np.bool_], t: Array) -> dict[tuple[int, int], Array]:
    """(T,) cost of each pair of cameras, without what lasts a few frames only; NaN where one sees nobody."""
    reach = max(1, round(_LASTING_S / float(np.median(np.diff(t)))))
    out = {}
    for a, b in combinations(range(len(views)), 2):
        each = np.where(seen[:, a] & seen[:, b], cost(views[a], views[b], IN_THE_AIR_M), np.nan)
        out[a, b] = _running_median(each, reach)
    return out


def _running_median(values: Array, reach: int) -> Array:
    """(T,) medians over ± reach entries, of those that there are; NaN stays."""
    padded = np.pad(values, reach, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    out = np.full(len(values), np.nan)
    have = ~np.isnan(values)
    out[have] = np.nanmedian(windows[have], axis=1)
    return out


def _largest_agreement(pairs: dict[tuple[int, int], Array], seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(T, C) the largest set of cameras of which every two agree; of equal sets the one that agrees best."""
    count = seen.shape[1]
    best, size, total = np.zeros_like(seen), np.ones(len(seen), np.int64), np.full(len(seen), np.inf)
    for n in range(2, count + 1):
        for some in combinations(range(count), n):
            each = np.stack([pairs[pair] for pair in combinations(some, 2)])
            whole = np.all(each < AGREE, axis=0)  # False where one is NaN
            worst = np.where(whole, each.max(axis=0), np.inf)
            better = whole & ((n > size) | ((n == size) & (worst < total)))
            best[better] = np.isin(np.arange(count), some)
            size[better], total[better] = n, worst[better]
    return best


def _agreed_hips(views: Sequence[View], agreed: NDArray[np.bool_]) -> Array:
    hips = np.full((len(agreed), 3), np.nan)
    for some in np.unique(agreed, axis=0):
        if some.sum() > 1:
            rows = np.all(agreed == some, axis=1)
            own = [View(v.rays[rows], v.centre_m) for k, v in enumerate(views) if some[k]]
            hips[rows] = hips_m(own)[0]
    return hips


def _height(views: Sequence[View], agreed: NDArray[np.bool_]) -> float:
    """From nose to feet where cameras agree, most of the time, and what is above the nose."""
    tall = []
    for a, b in combinations(range(len(views)), 2):
        rows = agreed[:, a] & agreed[:, b]
        own = (View(views[k].rays[rows], views[k].centre_m) for k in (a, b))
        points, _ = closest(*own)
        tall.append(points[:, NOSE, 2] - lowest_m(points))
    told = np.concatenate(tall)
    told = told[~np.isnan(told)]
    return float(np.median(told)) / _NOSE_SHARE if len(told) else USUAL_M


def _alone(
    cameras: Sequence[Camera], uv: Array, candidates: NDArray[np.bool_], t: Array, hips: Array
) -> NDArray[np.bool_]:
    """(T, C) cameras that no other agrees with, but whose person alone stands where the player was last."""
    out = np.zeros_like(candidates)
    have = np.flatnonzero(~np.isnan(hips[:, 0]))
    if len(have) == 0:
        return out
    at = np.stack([np.interp(t, t[have], hips[have, k]) for k in range(3)], axis=-1)
    gone_s = np.abs(t[:, None] - t[have][None]).min(axis=1)
    allowed = _STEP_OFF_M + _STEP_OFF_M_S * gone_s
    height = float(np.median(hips[have, 2]))
    for k, camera in enumerate(cameras):
        place = on_level(camera, middles(uv[:, k])[:, HIPS], height)
        with np.errstate(invalid="ignore"):
            out[:, k] = candidates[:, k] & (np.linalg.norm(place - at, axis=1) < allowed)
    return np.asarray(out & (out.sum(axis=1) == 1)[:, None])


def _with_single_views(cameras: Sequence[Camera], uv: Array, single: NDArray[np.bool_], hips: Array) -> Array:
    """The hips' track, also where one camera alone is believed: there at their usual height."""
    have = ~np.isnan(hips[:, 0])
    if not have.any():
        return hips
    out = hips.copy()
    for k, camera in enumerate(cameras):
        rows = single[:, k] & ~have
        out[rows] = on_level(camera, middles(uv[rows, k])[:, HIPS], float(np.median(hips[have, 2])))
    return out


def _states(
    seen: NDArray[np.bool_],
    agreed: NDArray[np.bool_],
    believed: NDArray[np.bool_],
    pairs: dict[tuple[int, int], Array],
    hips: Array,
) -> NDArray[np.int64]:
    state = np.full(seen.shape, int(State.SAME))
    told = believed.any(axis=1, keepdims=True)
    several = (seen.sum(axis=1) > 1)[:, None]
    state[seen & ~believed & told] = State.MISTAKEN
    state[seen & ~told & several] = State.UNCLEAR
    for k in range(seen.shape[1]):
        own = np.stack([each for pair, each in pairs.items() if k in pair])
        beside = np.stack([agreed[:, k] & agreed[:, b if a == k else a] for (a, b) in pairs if k in (a, b)])
        # the camera is unsure that agrees badly with every other; a single one may itself be at fault
        badly = np.all(np.where(beside, own > _UNSURE, False), axis=0) & (beside.sum(axis=0) > 1)
        state[badly & (state[:, k] == State.SAME), k] = State.UNSURE
    return state


def _bridged(t: Array, hips: Array) -> Array:
    """The track over short gaps, and held for as long beyond its ends."""
    have = np.flatnonzero(~np.isnan(hips[:, 0]))
    if len(have) == 0:
        return hips
    right = np.clip(np.searchsorted(have, np.arange(len(t))), 0, len(have) - 1)
    after, before = t[have[right]], t[have[np.maximum(right - 1, 0)]]
    near = np.minimum(np.abs(after - t), np.abs(before - t)) <= _BRIDGED_S
    filled = np.stack([np.interp(t, t[have], hips[have, k]) for k in range(3)], axis=-1)
    return np.where(near[:, None], filled, np.nan)
