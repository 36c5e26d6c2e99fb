"""Clicked, filled and taped points of the racket, put together in one camera's tracks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.records import CameraTracks, NoiseShape, usual_noise

_AGREE_SD = 4.0  # beyond that many of their joint sigmas two sightings of one point are not of the same spot
_LEAST_JUDGED = 3  # frames with both a click and tape, before the tape of a camera is judged by them
_SAME_FRAME = 0.25  # of a frame: times closer than that are one frame's


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Places of one point in one camera at frame times: t_s (N,), uv_px (N, 2), sigma_px (N,), nothing
    absent."""

    t_s: Array
    uv_px: Array
    sigma_px: Array


@dataclass(frozen=True, slots=True, eq=False)
class Joined:
    """One camera's tracks with these points, and which frames (T,) of them are clicked and filled ones.

    tape_left_out: whether tape was seen and not believed, since it contradicts the clicks in most frames.
    """

    tracks: CameraTracks
    clicked: NDArray[np.bool_]
    filled: NDArray[np.bool_]
    tape_left_out: bool = False


def with_frames(seen: CameraTracks, t_s: Array) -> CameraTracks:
    """The tracks with these frames among theirs, in which nothing was seen where they are new."""
    step = float(np.median(np.diff(seen.t_cam_s))) if len(seen.t_cam_s) > 1 else 1.0
    new = t_s[np.abs(t_s[:, None] - seen.t_cam_s[None]).min(axis=1) > _SAME_FRAME * step] if len(t_s) else t_s
    if not len(new):
        return seen
    t = np.concatenate([seen.t_cam_s, np.unique(new)])
    order = np.argsort(t)
    more = len(t) - len(seen.t_cam_s)
    uv = np.concatenate([seen.uv_px, np.full((more, *seen.uv_px.shape[1:]), np.nan)])
    sigma = np.concatenate([seen.sigma_px, np.full((more, seen.sigma_px.shape[1]), np.nan)])
    return CameraTracks(seen.camera, seen.size_px, t[order], uv[order], sigma[order])


def join_points(seen: CameraTracks, column: int, clicked: Points, filled: Points) -> Joined:
    """Put clicked and filled places of one point into a camera's tracks, which have frames at all their times.

    A click takes its frame. Where tape and a filled place agree, the tape stays; where they do not, neither
    is used. Tape that contradicts the clicks in more than half of at least three frames is left out throughout:
    other things than tape have its colour there.
    """
    uv, sigma = seen.uv_px.copy(), seen.sigma_px.copy()
    at = _frames(seen, clicked.t_s)
    against = ~_agree(uv[at, column], sigma[at, column], clicked) & ~np.isnan(sigma[at, column])
    judged = int((~np.isnan(sigma[at, column])).sum())
    no_tape = judged >= _LEAST_JUDGED and against.sum() > judged / 2
    if no_tape:
        uv[:, column], sigma[:, column] = np.nan, np.nan
    uv[at, column], sigma[at, column] = clicked.uv_px, clicked.sigma_px
    is_clicked, is_filled = np.zeros((2, len(sigma)), dtype=bool)
    is_clicked[at] = True
    at = _frames(seen, filled.t_s)
    taped = ~np.isnan(sigma[at, column])
    agree = _agree(uv[at, column], sigma[at, column], filled)
    take, neither = ~taped, taped & ~agree
    uv[at[take], column], sigma[at[take], column] = filled.uv_px[take], filled.sigma_px[take]
    uv[at[neither], column], sigma[at[neither], column] = np.nan, np.nan
    is_filled[at[take]] = True
    joined = CameraTracks(seen.camera, seen.size_px, seen.t_cam_s, uv, sigma)
    return Joined(joined, is_clicked, is_filled, no_tape)


def _frames(seen: CameraTracks, t_s: Array) -> NDArray[np.intp]:
    return np.asarray(np.abs(t_s[:, None] - seen.t_cam_s[None]).argmin(axis=1), dtype=np.intp)


def _agree(uv_px: Array, sigma_px: Array, other: Points) -> NDArray[np.bool_]:
    apart = np.hypot(*(uv_px - other.uv_px).T)
    return np.asarray(apart <= _AGREE_SD * np.hypot(sigma_px, other.sigma_px))


def noise_of_filled(keypoint: str, seen: int, filled: int, between_s: float) -> NoiseShape:
    """How the errors of a point are made up of which `filled` of `seen` places are filled in.

    A click errs anew each time. A filled place errs as the two clicks beside it do, weighted by how near they
    are, so that errors of filled places are alike over the time between_s from click to click: their
    autocorrelation is a triangle of that half width. A first-order process of the same integral has half of
    it as its 1/e time. What flow adds between two clicks is bound to nought at both and lingers as long.
    """
    usual = usual_noise(keypoint)
    if not filled:
        return usual
    share = filled / seen
    return NoiseShape(white=1 - share, slow=share, bias=0.0, slow_s=between_s / 2)
