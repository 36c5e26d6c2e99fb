"""Left and right exchanged by the detector in one view: found by geometry and continuity, and put back.

A player seen from behind is easily read as seen from the front. The other cameras contradict that: an
exchanged shoulder does not lie on the epipolar line of its namesake. Over time the exchange shows as a jump.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry import Camera
from recon.curves import true_runs
from recon.epipolar import disagreement, essential
from recon.records import CameraTracks, Clocks, Tracks2D
from recon.resample import at_times, common_times

GROUPS: tuple[tuple[str, ...], ...] = (
    ("eye", "ear"),
    ("shoulder", "elbow", "wrist", "thumb", "index", "pinky"),
    ("hip", "knee", "ankle", "heel", "toe"),
)
"""Parts that are exchanged together: face, arms with shoulders, legs with hips."""

_LEGS_PARTED = (*GROUPS[:2], ("hip", "knee"), ("ankle", "heel", "toe"))


def finer_groups(cameras: int) -> tuple[tuple[str, ...], ...]:
    """The same with knees apart from feet, for pixels without view errors: a detector exchanges crossing knees
    and leaves the feet. Two views alone cannot tell that from a knee that is seen badly.
    """
    return _LEGS_PARTED if cameras > 2 else GROUPS


@dataclass(frozen=True, kw_only=True, slots=True)
class SwapOptions:
    """How an exchange is judged.

    cap_sigma     a point's contradiction counts up to this many sigmas: one wild point must not decide
    evidence      weight of the geometry of 1/120 s; keypoint errors stay for some 0.1 s, so a frame is worth
                  far less than an independent look
    jump_m        movement within 1/120 s that is still likely, in metres at the player: 10 m/s
    prior         cost of an exchanged view per 1/120 s: without evidence the detector is believed
    change        cost of beginning or ending an exchange: where left and right cross in the picture, a few
                  frames' geometry says little
    whole_clip    an exchange over more than this share of the time is not undone but told: with hardly a
                  sound moment to compare with, geometry cannot say which view is wrong
    """

    cap_sigma: float = 4.0
    evidence: float = 0.15
    jump_m: float = 0.08
    prior: float = 0.05
    change: float = 6.0
    whole_clip: float = 0.8

    def __post_init__(self) -> None:
        if min(self.cap_sigma, self.evidence, self.jump_m, self.prior, self.change) <= 0:
            raise BadInput(f"swaps: want positive values, got {self}")


@dataclass(frozen=True, slots=True)
class Exchange:
    """A stretch of one view in which left and right of some parts were exchanged: rig times, seconds."""

    camera: str
    parts: tuple[str, ...]
    start_s: float
    stop_s: float
    undone: bool = True


def repair_swaps(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, options: SwapOptions | None = None, *,
    groups: Sequence[tuple[str, ...]] = GROUPS,
) -> tuple[Tracks2D, tuple[Exchange, ...]]:  # fmt: skip
    """Tracks with exchanged sides put back, and what was exchanged; groups: parts that are exchanged together.

    The most likely sequence of "exchanged or not" per view (Viterbi over all combinations) under two costs:
    epipolar contradiction between views, and jumps within a view. With two views geometry tells that they
    differ, and continuity which of them is wrong.
    Raises NotMeasurable where the clips do not overlap.
    Source: Viterbi AJ (1967), IEEE Trans Inf Theory 13:260-269.
    """
    options = options or SwapOptions()
    t = common_times(tracks, clocks)
    seen = [at_times(tracks.of(c.name), clocks.of(c.name), t) for c in cameras]
    repaired = {c.name: tracks.of(c.name) for c in cameras}
    found: list[Exchange] = []
    for parts in groups:
        left, right = (_columns(tracks, side, parts) for side in ("left", "right"))
        states = _likeliest(cameras, seen, left, right, _per_frame(options, t))
        undone = bool((states.mean(axis=0) <= options.whole_clip).all())
        for k, camera in enumerate(cameras):
            exchanged = states[:, k]
            found += [
                Exchange(camera.name, parts, float(t[a]), float(t[b - 1]), undone)
                for a, b in true_runs(exchanged)
            ]
            if not undone:
                continue
            own_t = clocks.of(camera.name).rig_time(repaired[camera.name].t_cam_s)
            nearest = np.clip(np.round((own_t - t[0]) / (t[1] - t[0])).astype(int), 0, len(t) - 1)
            inside = (own_t >= t[0]) & (own_t <= t[-1])
            repaired[camera.name] = _exchange(repaired[camera.name], left, right, exchanged[nearest] & inside)
    order = [c.camera for c in tracks.cameras]
    return replace(tracks, cameras=tuple(repaired.get(n, tracks.of(n)) for n in order)), tuple(found)


def _per_frame(options: SwapOptions, t: Array) -> SwapOptions:
    """The options for the time grid's own step."""
    steps = 120 * float(t[1] - t[0])
    return replace(
        options, evidence=options.evidence * steps, jump_m=options.jump_m * steps, prior=options.prior * steps
    )


def _columns(tracks: Tracks2D, side: str, parts: tuple[str, ...]) -> NDArray[np.intp]:
    return np.array([tracks.index(f"{side}_{part}") for part in parts])


def _likeliest(
    cameras: Sequence[Camera],
    seen: Sequence[tuple[Array, Array]],
    left: NDArray[np.intp],
    right: NDArray[np.intp],
    options: SwapOptions,
) -> NDArray[np.bool_]:
    """(T, C) whether each view is exchanged at each instant."""
    states = np.array(list(product((False, True), repeat=len(cameras))))
    length = len(seen[0][0])
    cost = np.repeat(options.prior * states.sum(axis=1)[None], length, axis=0)
    for a, b in combinations(range(len(cameras)), 2):
        same, differ = _contradiction(cameras, seen, a, b, left, right, options)
        unequal = states[:, a] != states[:, b]
        cost += options.evidence * np.where(unequal[None], differ[:, None], same[:, None])
    stay = np.zeros((length - 1, len(cameras)))
    flip = np.zeros_like(stay)
    for c, camera in enumerate(cameras):
        stay[:, c], flip[:, c] = _jumps(camera, seen[c][0], left, right, options)
    changed = states[:, None] != states[None]  # (from, to, camera)
    best = cost[0]
    came_from = np.zeros((length, len(states)), dtype=int)
    for k in range(1, length):
        step = np.where(changed, flip[k - 1] + options.change, stay[k - 1]).sum(axis=2)
        total = best[:, None] + step
        came_from[k] = total.argmin(axis=0)
        best = total.min(axis=0) + cost[k]
    path = np.empty(length, dtype=int)
    path[-1] = int(best.argmin())
    for k in range(length - 1, 0, -1):
        path[k - 1] = came_from[k, path[k]]
    return states[path]


def _contradiction(
    cameras: Sequence[Camera],
    seen: Sequence[tuple[Array, Array]],
    a: int,
    b: int,
    left: NDArray[np.intp],
    right: NDArray[np.intp],
    options: SwapOptions,
) -> tuple[Array, Array]:
    """(T,) squared epipolar distance in sigmas, summed over the parts: names equal, and names exchanged."""
    E = essential(cameras[a], cameras[b])
    focal = [float(np.sqrt(cameras[k].K_px[0, 0] * cameras[k].K_px[1, 1])) for k in (a, b)]

    def total(own: NDArray[np.intp], other: NDArray[np.intp]) -> Array:
        na = cameras[a].normalised(seen[a][0][:, own])
        nb = cameras[b].normalised(seen[b][0][:, other])
        distance, _ = disagreement(E, na, nb)
        sigma = np.hypot(seen[a][1][:, own] / focal[0], seen[b][1][:, other] / focal[1])
        squared = np.minimum(2 * (distance / sigma) ** 2, options.cap_sigma**2)
        return np.asarray(np.nan_to_num(squared).sum(axis=1))

    return total(left, left) + total(right, right), total(left, right) + total(right, left)


def _jumps(
    camera: Camera, uv: Array, left: NDArray[np.intp], right: NDArray[np.intp], options: SwapOptions
) -> tuple[Array, Array]:
    """(T-1,) how unlikely the view's own movement is if names are kept, and if they change over."""
    depth = float(np.linalg.norm(camera.centre_m()))  # the player stands near the frame's origin
    scale = options.jump_m * float(camera.K_px[0, 0]) / max(depth, 1.0)

    def total(before: NDArray[np.intp], after: NDArray[np.intp]) -> Array:
        squared = ((uv[1:, after] - uv[:-1, before]) ** 2).sum(axis=2) / scale**2
        return np.asarray(np.nan_to_num(np.minimum(squared, options.cap_sigma**2)).sum(axis=1))

    return total(left, left) + total(right, right), total(left, right) + total(right, left)


def _exchange(
    seen: CameraTracks, left: NDArray[np.intp], right: NDArray[np.intp], frames: NDArray[np.bool_]
) -> CameraTracks:
    if not frames.any():
        return seen
    uv, sigma = seen.uv_px.copy(), seen.sigma_px.copy()
    rows = np.flatnonzero(frames)[:, None]
    for array, source in ((uv, seen.uv_px), (sigma, seen.sigma_px)):
        array[rows, left], array[rows, right] = source[rows, right], source[rows, left]
    return replace(seen, uv_px=uv, sigma_px=sigma)
