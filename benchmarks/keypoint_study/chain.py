"""The stages from detections to one motion, on a take of the cast."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.keypoint_study.detect import Seen
from calibration.checks import Array
from calibration.geometry import Camera
from demo_rigs.cast import Take
from recon.detector_study import USUAL_MODE, DetectorStudy, load_study
from recon.instants import points_at_instants
from recon.joints import without_view_errors
from recon.keypoints import ClipTracks, tracks_from_clips
from recon.motion import MotionSupport, fit_motion, without_unbelieved
from recon.records import Clock, Clocks, Motion, Tracks2D
from recon.swaps import finer_groups, repair_swaps


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A take as the stages see it: tracks, clocks, motion, and what carries it."""

    tracks: Tracks2D
    clocks: Clocks
    motion: Motion
    support: MotionSupport


def true_clocks(take: Take, cameras: Sequence[str]) -> Clocks:
    """The scene's own clocks: rig time is scene time."""
    starts = take.scene.serves[0].starts_s
    return Clocks(cameras[0], tuple(Clock(c, starts[c], 0.0 if c == cameras[0] else 1e-5) for c in cameras))


def tracks_of(take: Take, seen: Mapping[str, Seen], mode: str) -> Tracks2D:
    """Tracks of the body points alone: the study has no use for racket and ball."""
    known = (
        mode if mode in load_study() else USUAL_MODE
    )  # a mode's first estimate starts from another's weights
    clips = {}
    for name, s in seen.items():
        nothing = np.full((len(s.t_cam_s), 4), np.nan)
        uv = np.concatenate([s.uv_px, np.full((*nothing.shape, 2), np.nan)], axis=1)
        clip = ClipTracks(s.t_cam_s, uv, s.visibility, nothing, s.spread_px)
        clips[name] = (take.scene.cameras[name].size_px, clip)
    return tracks_from_clips(clips, "keypoint study", known)


def motion_of(take: Take, tracks: Tracks2D, clocks: Clocks | None = None) -> Followed:
    """Tracks with exchanged sides put back, and the motion fitted to them, on true clocks unless given."""
    names = [c.camera for c in tracks.cameras]
    cameras = [take.scene.cameras[n] for n in names]
    clocks = clocks or true_clocks(take, names)
    mended, _ = repair_swaps(cameras, tracks, clocks)
    found = _fitted(cameras, mended, clocks)
    believed, left_out = without_unbelieved(cameras, mended, clocks, found.motion)
    return _fitted(cameras, believed, clocks) if left_out else found


def without_views(take: Take, found: Followed, study: DetectorStudy) -> Followed:
    """The take once more, without the view errors of a study."""
    cameras = [take.scene.cameras[c.camera] for c in found.tracks.cameras]
    cleaned = without_view_errors(cameras, found.tracks, found.clocks, found.motion, study)
    if cleaned is None:
        return found
    mended, _ = repair_swaps(cameras, cleaned[0], found.clocks, groups=finer_groups(len(cameras)))
    return _fitted(cameras, mended, found.clocks)


def _fitted(cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks) -> Followed:
    points = points_at_instants(cameras, tracks, clocks)
    motion, support = fit_motion(cameras, tracks, clocks, points)
    return Followed(tracks, clocks, motion, support)


def at(t_s: Array, values: Array, wanted_s: Array) -> Array:
    """Values (T, ...) linearly interpolated to other times."""
    flat = values.reshape(len(t_s), -1)
    out = np.stack([np.interp(wanted_s, t_s, column) for column in flat.T], axis=1)
    return np.asarray(out.reshape(len(wanted_s), *values.shape[1:]))
