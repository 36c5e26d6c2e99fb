"""Elbows and knees that two or more views agree on where no elbow or knee can be.

Most gross errors are outvoted. Two views that are wrong together, or wrong along each other's epipolar lines,
are not; but then the bones to the joint's neighbours change their lengths. What the pixels and both lengths
together make likeliest decides which views saw the joint.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import Clocks, Motion, Tracks2D

_JOINTS = tuple(
    (f"{side}_{a}", f"{side}_{joint}", f"{side}_{b}")
    for side in ("left", "right")
    for a, joint, b in (("shoulder", "elbow", "wrist"), ("hip", "knee", "ankle"))
)
_OFF = 0.15  # of its length: a bone that is off by more is looked into
_LENGTH_SD = 0.10  # of its length: what a bone seems to change by through its ends' usual errors
_CAP2 = 16.0  # squared sigmas that a view can count for; beyond, it did not see the joint
_GRID = np.linspace(-1.0, 1.0, 161)  # along a ray, in the bones' lengths together
_LEAST_INSTANTS = 20


@dataclass(frozen=True, slots=True)
class Unbelieved:
    """A joint that some views did not see where they said: how many pictures of which camera."""

    joint: str
    camera: str
    pictures: int

    def sentence(self) -> str:
        """For a run's record."""
        return f"{self.joint.replace('_', ' ')} in {self.pictures} pictures of {self.camera}"


def without_unbelieved(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, motion: Motion
) -> tuple[Tracks2D, tuple[Unbelieved, ...]]:
    """Tracks without the pixels of elbows and knees that contradict the likeliest place, and which these were.

    Looked into are instants at which one of the joint's two bones is off its usual length by more than 15 %.
    The likeliest place is sought on the views' rays near the bones: least sum of squared sigmas, a view
    counting up to 16, and of both bones' departures from their lengths in 10 % of them.
    """
    left_out: dict[str, dict[str, NDArray[np.bool_]]] = {c.name: {} for c in cameras}
    for chain in _JOINTS:
        if not all(name in motion.keypoints and name in tracks.keypoints for name in chain):
            continue
        at, unbelieved = _contradicting(cameras, tracks, clocks, motion, chain)
        for camera, wrong in zip(cameras, unbelieved.T, strict=True):
            t = np.asarray(clocks.of(camera.name).rig_time(tracks.of(camera.name).t_cam_s))
            left_out[camera.name][chain[1]] = _near(t, motion.t_s[at[wrong]], _step(t))
    told = []
    kept = {c.camera: c for c in tracks.cameras}
    for name, joints in left_out.items():
        sigma = kept[name].sigma_px.copy()
        uv = kept[name].uv_px.copy()
        for joint, frames in joints.items():
            p = tracks.index(joint)
            frames &= ~np.isnan(sigma[:, p])
            sigma[frames, p], uv[frames, p] = np.nan, np.nan
            if frames.any():
                told.append(Unbelieved(joint, name, int(frames.sum())))
        kept[name] = replace(kept[name], sigma_px=sigma, uv_px=uv)
    return replace(tracks, cameras=tuple(kept[c.camera] for c in tracks.cameras)), tuple(told)


def _step(t: Array) -> float:
    return float(np.median(np.diff(t)))


def _near(t: Array, instants: Array, step_s: float) -> NDArray[np.bool_]:
    """(T,) whether an instant lies within 0.75 steps."""
    if not len(instants):
        return np.zeros(len(t), dtype=bool)
    return np.asarray(np.abs(t[:, None] - instants[None]).min(axis=1) <= 0.75 * step_s)


def _contradicting(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, motion: Motion, chain: tuple[str, str, str]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Instants (N,) looked into, and which cameras (N, C) contradict the joint's likeliest place there."""
    first, joint, last = (motion.path(name) for name in chain)
    lengths = [np.linalg.norm(joint - end, axis=1) for end in (first, last)]
    sound = np.isfinite(lengths[0]) & np.isfinite(lengths[1])
    usual = np.array([np.median(a[sound]) if sound.sum() >= _LEAST_INSTANTS else np.nan for a in lengths])
    off = np.abs(np.stack(lengths, axis=1) / usual - 1) > _OFF
    at = np.flatnonzero(sound & off.any(axis=1))
    ends = np.stack([first[at], last[at]], axis=1)
    seen = [_seen(tracks, clocks, camera, chain[1], motion.t_s[at]) for camera in cameras]
    wrong = np.zeros((len(at), len(cameras)), dtype=bool)
    for n in range(len(at)):
        pixels = [(uv[n], sigma[n]) for uv, sigma in seen]
        wrong[n] = _views_that_err(cameras, pixels, ends[n], usual)
    return at, wrong


def _seen(tracks: Tracks2D, clocks: Clocks, camera: Camera, joint: str, t_s: Array) -> tuple[Array, Array]:
    """The joint's pixels (N, 2) and sigmas (N,) in the picture nearest to each instant, NaN where unseen."""
    found, p = tracks.of(camera.name), tracks.index(joint)
    t = np.asarray(clocks.of(camera.name).rig_time(found.t_cam_s))
    nearest = np.abs(t[:, None] - t_s[None]).argmin(axis=0)
    apart = np.abs(t[nearest] - t_s) > 0.75 * _step(t)
    sigma = np.where(apart, np.nan, found.sigma_px[nearest, p])
    return found.uv_px[nearest, p], sigma


def _views_that_err(
    cameras: Sequence[Camera], pixels: Sequence[tuple[Array, float]], ends: Array, usual: Array
) -> NDArray[np.bool_]:
    """(C,) the views that contradict the likeliest place."""
    places = [
        _along_ray(camera, uv, ends.mean(axis=0), float(usual.sum()))
        for camera, (uv, sigma) in zip(cameras, pixels, strict=True)
        if np.isfinite(sigma)
    ]
    if not places:
        return np.zeros(len(cameras), dtype=bool)
    x = np.concatenate(places)
    apart = np.linalg.norm(x[:, None] - ends[None], axis=2) / usual - 1
    cost = ((apart / _LENGTH_SD) ** 2).sum(axis=1)
    squared = np.zeros((len(x), len(cameras)))
    for c, (camera, (uv, sigma)) in enumerate(zip(cameras, pixels, strict=True)):
        if np.isfinite(sigma):
            miss = ((camera.project(x) - uv) ** 2).sum(axis=1) / sigma**2
            squared[:, c] = np.where(np.isfinite(miss), miss, np.inf)
    best = int((cost + np.minimum(squared, _CAP2).sum(axis=1)).argmin())
    return np.asarray(squared[best] > _CAP2)


def _along_ray(camera: Camera, uv_px: Array, near_m: Array, within_m: float) -> Array:
    """(N, 3) points on a pixel's ray on both sides of where it passes a place."""
    direction = camera.cam_from_world.R.T @ np.append(camera.normalised(uv_px[None])[0], 1.0)
    direction /= np.linalg.norm(direction)
    centre = camera.centre_m()
    closest = float(direction @ (near_m - centre))
    return np.asarray(centre + (closest + within_m * _GRID)[:, None] * direction)
