"""A second look at single frames, in crops that the other cameras' track of the player foretells."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.footage import Video, frames
from recon.keypoints.follow import ClipTracks, balls_around, marker_region
from recon.keypoints.markers import Image, MarkerOptions, find_markers
from recon.keypoints.passes import NOBODY, Mode, look_at
from recon.keypoints.pose import PoseReader, Window
from recon.records import BODY

_APART_S = 0.5  # frames farther apart are sought in the file anew


@dataclass(frozen=True, slots=True)
class Wanted:
    """A frame to look at again, by its time, and where in it."""

    t_cam_s: float
    window: Window


def look_again(
    video: Path | Video,
    reader: PoseReader,
    scene: Image,
    markers: MarkerOptions,
    mode: Mode,
    wanted: tuple[Wanted, ...],
) -> ClipTracks:
    """What is seen in the wanted frames (in order of time): one more round of the mode's first passes each.

    Racket and ball are sought around the same crop. Raises BadInput for a video that cannot be read.
    """
    once = replace(mode, more=(), onward=False)
    rows: dict[float, tuple[Array, Array, Array, Array, Array]] = {}
    for stretch in _stretches(wanted):
        windows = {w.t_cam_s: w.window for w in stretch}
        first, last = stretch[0].t_cam_s, stretch[-1].t_cam_s
        for frame in frames(video, start_s=first, stop_s=float(np.nextafter(last, np.inf))):
            window = windows.get(frame.t_s)
            if window is None:
                continue
            seen = look_at(reader, frame.image_bgr, window, once) or NOBODY
            region = marker_region(frame.image_bgr, window)
            marks, sigma = find_markers(frame.image_bgr, scene, region, markers)
            balls = balls_around(frame.image_bgr, scene, window, markers)
            points = np.concatenate([seen.uv_px, marks])
            rows[frame.t_s] = (points, seen.visibility, sigma, seen.spread_px, balls)
    times = np.array(sorted(rows))
    return ClipTracks(times, *(np.array([rows[t][k] for t in times]) for k in range(5)))


def _stretches(wanted: tuple[Wanted, ...]) -> list[list[Wanted]]:
    stretches = [[wanted[0]]] if wanted else []
    for before, then in pairwise(wanted):
        if then.t_cam_s - before.t_cam_s > _APART_S:
            stretches.append([])
        stretches[-1].append(then)
    return stretches


def with_rows(clip: ClipTracks, again: ClipTracks, taken: NDArray[np.bool_]) -> ClipTracks:
    """The clip with those rows of a second look in place of its own. taken (K,): which of the look's rows."""
    at = np.searchsorted(clip.t_cam_s, again.t_cam_s[taken])
    out = {}
    for field in ("uv_px", "visibility", "marker_sigma_px", "spread_px", "balls"):
        values = getattr(clip, field).copy()
        values[at] = getattr(again, field)[taken]
        out[field] = values
    return ClipTracks(clip.t_cam_s, **out)


def without_bodies(clip: ClipTracks, rows: NDArray[np.bool_]) -> ClipTracks:
    """The clip without the body points of those frames (T,): they were somebody else's."""
    body = len(BODY)
    uv, visibility, spread = clip.uv_px.copy(), clip.visibility.copy(), clip.spread_px.copy()
    uv[rows, :body], visibility[rows], spread[rows] = np.nan, np.nan, np.nan
    return replace(clip, uv_px=uv, visibility=visibility, spread_px=spread)
