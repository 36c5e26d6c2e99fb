"""The stages from detections to one motion, on a take of the cast."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.keypoint_study.detect import Seen
from calibration.checks import Array
from demo_rigs.cast import Take
from recon.detector_study import USUAL_MODE, DetectorStudy, load_study
from recon.keypoints import ClipTracks, tracks_from_clips
from recon.motion import MotionSupport
from recon.pipeline.joint_centres import fit_body
from recon.records import Clock, Clocks, Motion, Tracks2D
from recon.swaps import repair_swaps


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


def motion_of(
    take: Take, tracks: Tracks2D, clocks: Clocks | None = None, study: DetectorStudy | None = None
) -> Followed:
    """Tracks with exchanged sides put back, and the motion fitted to them as measuring does, on true clocks
    unless given, without the view errors of a study where one is.
    """
    names = [c.camera for c in tracks.cameras]
    cameras = [take.scene.cameras[n] for n in names]
    clocks = clocks or true_clocks(take, names)
    mended, _ = repair_swaps(cameras, tracks, clocks)
    fit = fit_body(cameras, mended, clocks, study)
    return Followed(fit.tracks, clocks, fit.motion, fit.support)


def at(t_s: Array, values: Array, wanted_s: Array) -> Array:
    """Values (T, ...) linearly interpolated to other times."""
    flat = values.reshape(len(t_s), -1)
    out = np.stack([np.interp(wanted_s, t_s, column) for column in flat.T], axis=1)
    return np.asarray(out.reshape(len(wanted_s), *values.shape[1:]))
