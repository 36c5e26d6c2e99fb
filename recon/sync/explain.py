"""Why clips do not agree, at any time offset or at the best one: what would make them, tried one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, permutations

import numpy as np

from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.geometry import Camera
from recon.records import CameraTracks, Tracks2D, other_side
from recon.sync.clocks import SyncOptions, estimate_clocks, shows_movement
from recon.sync.takes import spreads, take_flags

_SLOWED = (2.0, 4.0, 8.0, 4.8, 5.0, 9.6, 10.0)
"""How many times slower than life files of usual frame rates may play (common practice)."""
_LOOKS_HZ = 60.0
_LONGEST_S = 20.0  # of a clip: stamped ten times too slow it is longer, and all the slower to search


def why_apart(cameras: Sequence[Camera], tracks: Tracks2D, options: SyncOptions | None = None) -> str:
    """One sentence on what would make the clips agree, or on which camera stands alone; "" where nothing does.

    Tried in this order, each by the search for the clocks and by what is then left: clips exchanged between
    cameras, one picture mirrored, one clip stamped slower than it was recorded. What is said is what would fit.
    """
    trial = _Trial(cameras, tracks, options or SyncOptions())
    alone = trial.alone()
    if not alone and trial.all_agree():
        return ""
    return trial.exchanged() or trial.mirrored(alone) or trial.slowed(alone) or trial.other_take(alone)


def standing_alone(
    cameras: Sequence[Camera], tracks: Tracks2D, options: SyncOptions | None = None
) -> str | None:
    """The one camera that agrees with no other, where all others agree and nothing of the above mends it."""
    trial = _Trial(cameras, tracks, options or SyncOptions())
    alone = trial.alone()
    if len(alone) != 1 or len(trial.cameras) < 3:
        return None
    mended = trial.exchanged() or trial.mirrored(alone) or trial.slowed(alone)
    return None if mended else alone[0].name


class _Trial:
    """One session's clips, thinned, to be tried under suppositions."""

    def __init__(self, cameras: Sequence[Camera], tracks: Tracks2D, options: SyncOptions) -> None:
        self.cameras = list(cameras)
        self.tracks = tracks
        self.options = options
        self.seen = {c.name: _thinned(tracks.of(c.name)) for c in cameras}

    def agree(self, a: CameraTracks, b: CameraTracks) -> bool:
        pair = [c for name in (a.camera, b.camera) for c in self.cameras if c.name == name]
        tracks = replace(self.tracks, cameras=(a, b))
        try:
            clocks = estimate_clocks(pair, tracks, self.options)
        except NotMeasurable:
            return False
        return not take_flags(spreads(pair, tracks, clocks))

    def alone(self) -> list[Camera]:
        """Cameras that agree with no other as they are."""
        joined: set[str] = set()
        for a, b in combinations(self.seen.values(), 2):
            if self.agree(a, b):
                joined |= {a.camera, b.camera}
        return [c for c in self.cameras if c.name not in joined]

    def at_rest(self, camera: Camera) -> bool:
        """Whether nothing moves in its clip: that agrees with anything, played fast enough."""
        return not shows_movement(camera, self.seen[camera.name], self.tracks.keypoints, self.options)

    def all_agree(self) -> bool:
        """Whether every pair agrees as it is."""
        return all(self.agree(a, b) for a, b in combinations(self.seen.values(), 2))

    def exchanged(self) -> str:
        """Whether all agree once the clips are given to the cameras in another order."""
        names = list(self.seen)
        if any(self.at_rest(camera) for camera in self.cameras):
            return ""
        for order in permutations(names):
            given = [replace(self.seen[was], camera=name) for name, was in zip(names, order, strict=True)]
            sizes = all(s.size_px == self.seen[s.camera].size_px for s in given)
            if (
                order == tuple(names)
                or not sizes
                or not all(self.agree(a, b) for a, b in combinations(given, 2))
            ):
                continue
            wrong = [
                f"the clip named {was} is {name}'s"
                for name, was in zip(names, order, strict=True)
                if name != was
            ]
            return f"they agree once clips are exchanged: {', '.join(wrong)}"
        return ""

    def mirrored(self, alone: Sequence[Camera]) -> str:
        """Whether a lone camera agrees with another once its picture is turned over, left for right."""
        found = [
            camera.name
            for camera in alone
            if not self.at_rest(camera)
            and any(
                self.agree(_turned_over(self.seen[camera.name], self.tracks.keypoints, relabel), other)
                for relabel in (True, False)
                for other in self._others(camera)
            )
        ]
        if not found:
            return ""
        return f"the clip of {' or '.join(found)} agrees once it is mirrored: film and export it unmirrored"

    def slowed(self, alone: Sequence[Camera]) -> str:
        """Whether a lone camera agrees with another once its times are divided by a usual factor."""
        for camera in (c for c in alone if not self.at_rest(c)):
            for factor in _SLOWED:
                seen = self.seen[camera.name]
                quick = replace(seen, t_cam_s=seen.t_cam_s / factor)
                for other in self._others(camera):
                    if float(np.ptp(quick.t_cam_s)) < _LONGEST_S and self.agree(quick, other):
                        return (
                            f"the clip of {camera.name} agrees once it runs {factor:g} times faster: slow "
                            "motion, whose true rate belongs under [video_rate] in session.toml"
                        )
        return ""

    def other_take(self, alone: Sequence[Camera]) -> str:
        """Where all but one agree."""
        if len(alone) != 1 or len(self.cameras) < 3:
            return ""
        others = " and ".join(s.camera for s in self._others(alone[0]))
        return (
            f"{others} agree with each other: the clip of {alone[0].name} shows another serve, or that camera "
            "was moved; leave it out (`cameras` in session.toml) or replace the file"
        )

    def _others(self, camera: Camera) -> list[CameraTracks]:
        return [seen for name, seen in self.seen.items() if name != camera.name]


def _thinned(seen: CameraTracks) -> CameraTracks:
    step = max(1, round(1 / (_LOOKS_HZ * float(np.median(np.diff(seen.t_cam_s))))))
    return replace(seen, t_cam_s=seen.t_cam_s[::step], uv_px=seen.uv_px[::step], sigma_px=seen.sigma_px[::step])


def _turned_over(seen: CameraTracks, keypoints: Sequence[str], relabel: bool) -> CameraTracks:
    """The picture turned over; relabel: in a mirrored picture a detector calls the left side right."""
    uv: Array = seen.uv_px.copy()
    uv[..., 0] = seen.size_px[0] - 1 - uv[..., 0]
    if not relabel:
        return replace(seen, uv_px=uv)
    index = np.array([list(keypoints).index(other_side(name)) for name in keypoints])
    return replace(seen, uv_px=uv[:, index], sigma_px=seen.sigma_px[:, index])
