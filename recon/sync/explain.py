"""Why the clips of a session agree at no time offset: what would make them agree, tried one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, permutations, product

import numpy as np

from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.geometry import Camera
from recon.epipolar import ray_track
from recon.records import CameraTracks, Tracks2D
from recon.sync.clocks import SyncOptions, coarse_offset, half_widths

_SLOWED = (2.0, 4.0, 8.0, 1.2, 4.8, 5.0, 9.6, 10.0)
"""Ratios of usual frame rates (24 to 240 a second, common practice): how much slower than life files play."""


def why_no_clocks(cameras: Sequence[Camera], tracks: Tracks2D, options: SyncOptions | None = None) -> str:
    """One sentence on what would make the clips agree, or on which camera stands alone; "" where nothing does.

    Tried in this order, each by the same search that failed before: two cameras' names exchanged, one picture
    mirrored, one clip stamped at another rate than it was recorded at.
    """
    trial = _Trial(cameras, tracks, options or SyncOptions())
    alone = trial.alone()
    return trial.exchanged() or trial.mirrored(alone) or trial.slowed(alone) or trial.other_take(alone)


class _Trial:
    """One session's clips, to be tried under suppositions."""

    def __init__(self, cameras: Sequence[Camera], tracks: Tracks2D, options: SyncOptions) -> None:
        self.cameras = list(cameras)
        self.tracks = tracks
        self.options = options
        self.widths = half_widths(tracks.keypoints, options)
        self.seen = {c.name: tracks.of(c.name) for c in cameras}

    def agree(self, a: Camera, b: Camera, seen_a: CameraTracks, seen_b: CameraTracks) -> bool:
        rays = [ray_track(c, s, self.widths) for c, s in ((a, seen_a), (b, seen_b))]
        try:
            coarse_offset(rays[0], rays[1], self.options)
        except NotMeasurable:
            return False
        return True

    def alone(self) -> list[Camera]:
        """Cameras that agree with no other as they are."""
        joined: set[str] = set()
        for a, b in combinations(self.cameras, 2):
            if self.agree(a, b, self.seen[a.name], self.seen[b.name]):
                joined |= {a.name, b.name}
        return [c for c in self.cameras if c.name not in joined]

    def exchanged(self) -> str:
        """Whether all agree once the clips' names are put in another order."""
        names = [c.name for c in self.cameras]
        for order in permutations(names):
            if list(order) == names:
                continue
            given = {
                c.name: replace(self.seen[other], camera=c.name)
                for c, other in zip(self.cameras, order, strict=True)
            }
            pairs = list(combinations(self.cameras, 2))
            if all(self.agree(a, b, given[a.name], given[b.name]) for a, b in pairs):
                wrong = [f"the clip named {other} is {name}'s" for name, other in zip(names, order, strict=True)
                         if name != other]  # fmt: skip
                return "they agree once names are exchanged: " + ", ".join(wrong)
        return ""

    def mirrored(self, alone: Sequence[Camera]) -> str:
        """Whether a lone camera agrees with another once its picture is turned over left to right."""
        for camera in alone:
            for relabel in (True, False):
                over = _mirrored(self.seen[camera.name], self.tracks.keypoints, relabel)
                if any(self.agree(camera, o, over, self.seen[o.name]) for o in self._others(camera)):
                    return (
                        f"the clip of {camera.name} agrees once it is mirrored: film and export it unmirrored"
                    )
        return ""

    def slowed(self, alone: Sequence[Camera]) -> str:
        """Whether a lone camera agrees with another once its times are divided by a factor."""
        for camera in alone:
            for factor, other in product(_SLOWED, self._others(camera)):
                slow = _divided(self.seen[camera.name], factor)
                if self.agree(camera, other, slow, self.seen[other.name]):
                    return (
                        f"the clip of {camera.name} runs {factor:g} times slower than that of {other.name}: one "
                        "of them is stamped at another rate than it was recorded at; say the true one under "
                        "[video_rate] in session.toml"
                    )
        return ""

    def other_take(self, alone: Sequence[Camera]) -> str:
        """Where all but one agree."""
        if len(alone) != 1 or len(self.cameras) < 3:
            return ""
        others = " and ".join(c.name for c in self._others(alone[0]))
        return (
            f"{others} agree with each other: the clip of {alone[0].name} shows another serve, or that camera "
            "was moved; leave it out (`cameras` in session.toml) or replace the file"
        )

    def _others(self, camera: Camera) -> list[Camera]:
        return [c for c in self.cameras if c.name != camera.name]


def _mirrored(seen: CameraTracks, keypoints: Sequence[str], relabel: bool) -> CameraTracks:
    """The picture turned over; relabel: a detector has then called every left side right."""
    uv: Array = seen.uv_px.copy()
    uv[..., 0] = seen.size_px[0] - 1 - uv[..., 0]
    if not relabel:
        return replace(seen, uv_px=uv)
    other = {"left": "right", "right": "left"}
    order = ["_".join(other.get(word, word) for word in name.split("_")) for name in keypoints]
    index = np.array([list(keypoints).index(name) for name in order])
    return replace(seen, uv_px=uv[:, index], sigma_px=seen.sigma_px[:, index])


def _divided(seen: CameraTracks, factor: float) -> CameraTracks:
    return replace(seen, t_cam_s=seen.t_cam_s / factor)
