"""Glances at a long video: the server followed in a few small pictures a second, in more where hands go up."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from calibration.footage import Frame, Video
from calibration.geometry import Camera
from calibration.skim import skim, small_size
from recon.keypoints.follow import server_in
from recon.keypoints.markers import Image
from recon.keypoints.passes import MODES
from recon.keypoints.pose import Pose, PoseReader, Window
from recon.keypoints.server import ServerPlace, hips_px
from recon.records import BODY

_PERSON_SHARE = 0.5
"""Of the window's side, the player's extent: in a quarter of a second a step leads a third of a metre on."""
_SEARCH = MODES["quick"]


@dataclass(frozen=True, kw_only=True, slots=True)
class GlimpseOptions:
    """How closely a long video is looked at.

    seldom_hz   looks a second while nothing happens: a tossing arm is up for half a second and more
    often_hz    looks a second where a look asks for closer ones: what the search for serves wants
    before_s    so much before such a look is looked at too, the toss's beginning;  after_s  so much after it
    again_s     a lost player is searched for this often: a search costs as much as twenty looks
    longest_px  of a small picture: a player a fifth of it high still fills what the model takes in by half
    """

    seldom_hz: float = 4.0
    often_hz: float = 12.0
    before_s: float = 1.0
    after_s: float = 1.3
    again_s: float = 2.0
    longest_px: int = 960

    def __post_init__(self) -> None:
        if not 0 < self.seldom_hz <= self.often_hz:
            raise BadInput(f"glimpses: want 0 < seldom_hz <= often_hz, got {self}")
        if min(self.before_s, self.after_s, self.again_s) < 0:
            raise BadInput(f"glimpses: want no negative times, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """What was seen in a stretch of one video, at stamped times; full-size pixels.

    t_s (T,) increasing;  uv_px (T, P, 2) of the points asked for, NaN where nobody was seen
    window   where the player was last, in small pictures, or None
    hips_px  (2,) his hips then, or None
    """

    t_s: Array
    uv_px: Array
    window: Window | None
    hips_px: Array | None


def glimpse(
    video: Video,
    reader: PoseReader,
    place: ServerPlace,
    points: Sequence[str],
    closer: Callable[[Array], bool],
    options: GlimpseOptions | None = None,
    window: Window | None = None,
) -> Looks:
    """Look through a video's stretch, following the server; memory holds a second of small pictures.

    points   P of the body's, whose places are kept
    closer   closer(uv_px): whether what a look showed, (P, 2), asks for closer looks around it
    place    the server's, in full-size pixels; window: where an earlier stretch left them (its `Looks.window`)
    Where two people may be the server nobody is seen. Raises BadInput as `skim` does.
    """
    options = options or GlimpseOptions()
    size = place.camera.size_px
    small = small_size(size, options.longest_px)
    share = np.array(small) / np.array(size)
    watcher = _Watcher(reader, _shrunk(place, small), options, window)
    rows = [BODY.index(name) for name in points]

    def asks(pose: Pose | None) -> bool:
        return pose is not None and closer(pose.uv_px[rows])

    seen = sorted(watcher.watch(video, asks), key=lambda look: look[0])
    nobody = np.full((len(rows), 2), np.nan)
    at = [nobody if pose is None else (pose.uv_px[rows] + 0.5) / share - 0.5 for _, pose in seen]
    hips = [hips_px(pose.uv_px) for _, pose in seen if pose is not None]
    return Looks(
        np.array([t for t, _ in seen]),
        np.array(at).reshape(-1, len(rows), 2),
        watcher.window,
        (hips[-1] + 0.5) / share - 0.5 if hips else place.at_px,
    )


def _shrunk(place: ServerPlace, size_px: tuple[int, int]) -> ServerPlace:
    """The same place in pictures of another size: the pictures' edges scale, and lie half a pixel outside."""
    camera: Camera = place.camera
    x, y = np.array(size_px) / np.array(camera.size_px)
    K = np.array(camera.K_px)
    K[0], K[1] = K[0] * x, K[1] * y
    K[:2, 2] += (np.array([x, y]) - 1) / 2
    at = None if place.at_px is None else (place.at_px + 0.5) * [x, y] - 0.5
    return replace(place, camera=replace(camera, size_px=size_px, K_px=K), at_px=at)


_Look = tuple[float, Pose | None]


class _Watcher:
    """Where the player is looked for, look after look, and how closely."""

    def __init__(
        self, reader: PoseReader, place: ServerPlace, options: GlimpseOptions, window: Window | None
    ) -> None:
        self._reader, self._place, self._options = reader, place, options
        self.window = window
        self._search_s = -np.inf  # not before then
        reader.forget()

    def watch(self, video: Video, asks: Callable[[Pose | None], bool]) -> list[_Look]:
        """All looks of a video's stretch, those that were caught up with after later ones."""
        options = self._options
        passed: deque[Frame] = deque()
        seen: list[_Look] = []
        next_s, close_until_s = -np.inf, -np.inf
        for frame in skim(video, options.often_hz, options.longest_px):
            t = frame.t_s
            while passed and passed[0].t_s < t - options.before_s:
                passed.popleft()
            if t < next_s and t > close_until_s:
                passed.append(frame)
                continue
            pose = self._look(t, frame.image_bgr)
            seen.append((t, pose))
            next_s = t + 1 / options.seldom_hz - 0.5 / options.often_hz
            if asks(pose):
                seen += [(f.t_s, self._look(f.t_s, f.image_bgr)) for f in passed]
                passed.clear()
                close_until_s = t + options.after_s
        return seen

    def _look(self, t_s: float, picture: Image) -> Pose | None:
        pose = None if self.window is None else self._reader.read(picture, self.window)
        if pose is not None and not self._place.may_be(pose):
            pose = None
        away = pose is None or self._place.choose([pose]) is None  # whoever is followed there begins no serve
        if away and t_s >= self._search_s:
            self._search_s = t_s + self._options.again_s
            pose = self._searched(picture) or pose
        if pose is None:
            return None
        self.window = Window(0, 0, 0).around(pose.uv_px, _PERSON_SHARE)
        if self._place.at_px is not None:
            self._place = replace(self._place, at_px=hips_px(pose.uv_px))
        return pose

    def _searched(self, picture: Image) -> Pose | None:
        try:
            found = server_in(self._reader, picture, _SEARCH, self._place)
        except NotMeasurable:  # two may be the server; at the next look perhaps one of them has gone
            return None
        return None if found is None else Pose(found.uv_px, found.visibility)
