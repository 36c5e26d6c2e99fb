"""Measured edges of painted lines without pictures: exact or noisy, from invented courts and rigs."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.bundle import moved
from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.court.line_samples import EdgeSamples, LineOptions, joined_samples
from calibration.court.paint import sites
from calibration.court.ruled_lines import RULED_LINES
from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_CAMERA, POSE
from calibration.provenance import Provenance
from tests.support.rig_worlds import court_cameras, rig_cameras

TRUE = court_cameras()
U = np.array([0.3, 0.3, 0.3, 0.3, 1e-3, 3e-3, 1e-4, 1e-4, 3e-3, 0, 0, 0, 2e-4, 2e-4, 2e-4, 2e-3, 2e-3, 2e-3])
_WIDTHS = np.array([r.width_m for r in RULED_LINES])


def covariance_of(n: int) -> Array:
    """Of a rig of n cameras in its own frame, the first one's pose held."""
    u = np.tile(U, n)
    u[POSE] = 0.0
    return np.diag(u**2)


def rig_of(cameras: tuple[Camera, ...]) -> CalibratedRig:
    """The cameras, in the rig's frame, with that covariance."""
    return CalibratedRig("r", "rig", cameras, covariance_of(len(cameras)), Provenance("test"))


def true_place(true: tuple[Camera, ...] = TRUE) -> Rigid:
    """rig_from_court of the invented rig: the first camera's pose."""
    pose = true[0].cam_from_world
    return Rigid(pose.R, pose.t_m, "rig", "court")


def nearby(place: Rigid, rng: np.random.Generator, size: float = 1.0) -> Rigid:
    """The place turned by some milliradians and shifted by some centimetres."""
    turn = Rigid.from_rotvec(rng.normal(0, 0.003 * size, 3), np.zeros(3), "rig", "rig")
    return Rigid(turn.R @ place.R, place.t_m + rng.normal(0, 0.04 * size, 3), "rig", "court")


@dataclass(frozen=True)
class Laid:
    """How an invented court is laid: each line's two ends off the rules (L, 2) m, its width (L,) m."""

    ends_m: Array
    widths_m: Array


def exact_court() -> Laid:
    return Laid(np.zeros((len(RULED_LINES), 2)), np.array(_WIDTHS))


def laid_by_chance(rng: np.random.Generator, options: LineOptions) -> Laid:
    """Ends and widths drawn from the fit's own assumptions."""
    ends = rng.normal(0, options.paint_u_m, (len(RULED_LINES), 2))
    return Laid(ends, _WIDTHS + rng.normal(0, 1, len(RULED_LINES)) * [r.width_u_m for r in RULED_LINES])


def edges_of(
    true: tuple[Camera, ...], court: Laid, noise_px: float, rng: np.random.Generator,
    bloom_px: Array | float = 0.0, every: int = 4,
) -> EdgeSamples:  # fmt: skip
    """Both edges of every fourth place that each camera sees, with white noise."""
    bloom = np.broadcast_to(np.asarray(bloom_px, dtype=float), (len(true),))
    parts = []
    for i, camera in enumerate(true):
        at = sites(camera, _WIDTHS)
        at = at.only(np.arange(0, len(at.line), every))
        for share in (0.0, 1.0):
            uv = camera.project(_edges(court, at.line, at.along_m, share))
            uv = uv + at.normal * (rng.normal(0, noise_px, (len(uv), 1)) + (2 * share - 1) * bloom[i])
            n = len(at.line)
            u = np.full(n, max(noise_px, 0.02))
            parts.append(EdgeSamples(np.full(n, i), at.line, at.along_m, np.full(n, share), uv, at.normal, u))
    return joined_samples(parts)


def _edges(court: Laid, line: Array, along_m: Array, share: float) -> Array:
    """(N, 3) places of one edge of the lines, as they are laid."""
    out = np.zeros((len(line), 3))
    for i, ruled in enumerate(RULED_LINES):
        own = line == i
        s = along_m[own]
        tau = (s - ruled.start_m) / ruled.length_m
        across = ruled.at_m + court.ends_m[i, 0] * (1 - tau) + court.ends_m[i, 1] * tau
        across = across + ruled.across_per_width(np.full(len(s), share)) * court.widths_m[i]
        out[own] = ruled.points_m(s, across)
    return out


def drawn_rig(true: tuple[Camera, ...], rng: np.random.Generator) -> CalibratedRig:
    """The rig as a calibration might have found it: off by a draw from its covariance."""
    rig = rig_of(rig_cameras(true))
    step = rng.normal(0, 1, len(rig.covariance)) * np.sqrt(np.diag(rig.covariance))
    off = tuple(moved(c, s) for c, s in zip(rig.cameras, step.reshape(-1, N_CAMERA), strict=True))
    return replace(rig, cameras=off)
