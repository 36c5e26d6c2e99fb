"""Invented recordings of a serve for judging the motion fit: known joints, known cameras, noise as ordered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from scipy.interpolate import CubicSpline

from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from demo_rigs.description import load_academy
from demo_rigs.motion import Serve
from demo_rigs.players import build_serve
from demo_rigs.truth import keypoints
from recon.assets import body_wheel
from recon.records import KEYPOINTS, WHITE, CameraTracks, Clock, Clocks, NoiseShape, Tracks2D

FOLLOWED = tuple(name for name in KEYPOINTS if name != "ball")
FRAMES = 300
SIZE_PX, FOCAL_PX = (1920, 1080), 1400.0
_DISTANCE_M, _HEIGHT_M = 7.6, 2.2
_LOOK_AT_M = np.array([0.0, 0.0, 1.35])
AZIMUTHS_DEG: Mapping[str, tuple[float, ...]] = {
    "2 cameras": (-123.5, -56.5), "2 cameras, narrow": (-102.0, -78.0), "3 cameras": (-123.5, -56.5, 2.5),
}  # fmt: skip
"""Where the cameras stand around the player, from +x towards +y: behind left and right, and at the side."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Order:
    """What a recording shall be like.

    sigma_px, shape   noise per axis and its make-up, the same for all points
    told_px           what the program is told; None: sigma_px
    told_shape        likewise the make-up; None: as it is
    gross             share of single observations displaced by 30 to 150 px
    bursts            stretches of 8 frames per camera and second in which one point is 40 px off
    swapped_s         left and right exchanged in one camera's arms for so long
    lost_s            one camera sees nothing for so long, around contact
    first_and_last    the first and the last frame of one camera are 80 px off
    readout_s         every camera's rolling shutter
    first_side        of the picture that it exposes first
    """

    rig: str = "3 cameras"
    fps: float = 240.0
    serve: str = "clean_right"
    sigma_px: float = 2.0
    shape: NoiseShape = WHITE
    told_px: float | None = None
    told_shape: NoiseShape | None = None
    gross: float = 0.0
    bursts: float = 0.0
    swapped_s: float = 0.0
    lost_s: float = 0.0
    first_and_last: bool = False
    readout_s: float = 0.0
    first_side: str = "top"
    offsets_s: tuple[float, ...] = field(default=(0.0, 0.0, 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """Cameras, what they saw, and the truth: t_s (T,), xyz_m and velocity_m_s (T, P, 3) of FOLLOWED."""

    cameras: tuple[Camera, ...]
    tracks: Tracks2D
    clocks: Clocks
    t_s: Array
    xyz_m: Array
    velocity_m_s: Array
    contact: int
    static_m: Array

    def column(self, name: str) -> int:
        """Of a point among FOLLOWED."""
        return FOLLOWED.index(name)

    def at(self, t_s: Array) -> Recording:
        """The same recording with the truth at other instants (T,), as a motion has where cameras run apart."""
        if len(t_s) == len(self.t_s) and np.allclose(t_s, self.t_s, atol=1e-9):
            return self
        contact_s = self.t_s[self.contact]
        xyz, velocity, static = (
            CubicSpline(self.t_s, values)(t_s) for values in (self.xyz_m, self.velocity_m_s, self.static_m)
        )
        nearest = int(np.abs(t_s - contact_s).argmin())
        return replace(self, t_s=t_s, xyz_m=xyz, velocity_m_s=velocity, static_m=static, contact=nearest)


def cameras_of(rig: str) -> tuple[Camera, ...]:
    """The cameras of a named arrangement, upright, looking at the player."""
    out = []
    for k, azimuth in enumerate(np.deg2rad(AZIMUTHS_DEG[rig])):
        place = _DISTANCE_M * np.array([np.cos(azimuth), np.sin(azimuth), 0.0]) + [0.0, 0.0, _HEIGHT_M]
        K = np.array([[FOCAL_PX, 0, 959.5], [0, FOCAL_PX, 539.5], [0, 0, 1.0]])
        out.append(Camera(f"c{k}", SIZE_PX, K, np.zeros(5), Rigid.aimed(f"c{k}", place, _LOOK_AT_M)))
    return tuple(out)


@cache
def _serve(name: str) -> tuple[Serve, float]:
    entry = next(e for e in load_academy().serves if e.name == name)
    serve = build_serve(body_wheel(), entry)
    return serve, serve.script.contact_s


def made_serve(name: str) -> Serve:
    """The demo's serve of that name."""
    return _serve(name)[0]


def truth_at(serve: str, t_s: Array) -> Array:
    """(T, P, 3) of FOLLOWED at scene times (T,)."""
    made, _ = _serve(serve)
    points = keypoints(made, made.at(t_s))
    return np.stack([points[name] for name in FOLLOWED], axis=1)


def record(order: Order, seed: int) -> Recording:
    """One recording. The clip holds FRAMES frames, contact at two thirds; the seed is the noise's."""
    # streams of their own, so that the same noise comes with gross errors and without
    rng, spoiling = np.random.default_rng([seed, 0]), np.random.default_rng([seed, 1])
    cameras = cameras_of(order.rig)
    _, contact_s = _serve(order.serve)
    t = contact_s + (np.arange(FRAMES) - 2 * FRAMES // 3) / order.fps
    h = 1e-4
    xyz = truth_at(order.serve, t)
    velocity = (truth_at(order.serve, t + h) - truth_at(order.serve, t - h)) / (2 * h)
    seen = []
    for k, camera in enumerate(cameras):
        own_t = t + order.offsets_s[k]
        exact = xyz if order.offsets_s[k] == 0 else truth_at(order.serve, own_t)
        uv = _exposed(camera, exact, own_t, order) + order.sigma_px * _noise(t, order.shape, len(FOLLOWED), rng)
        _spoil(uv, order, k, t - contact_s, spoiling)
        told = np.full(uv.shape[:2], order.sigma_px if order.told_px is None else order.told_px)
        told[np.isnan(uv).any(axis=2)] = np.nan
        seen.append(CameraTracks(camera.name, SIZE_PX, own_t, uv, told))
    shape = order.told_shape or order.shape
    tracks = Tracks2D(FOLLOWED, tuple(seen), "invented", (shape,) * len(FOLLOWED))
    clocks = Clocks("c0", tuple(Clock(c.name, 0.0, 0.0) for c in cameras))
    static = _static_m(cameras, xyz, order.sigma_px)
    return Recording(cameras, tracks, clocks, t, xyz, velocity, 2 * FRAMES // 3, static)


def _exposed(camera: Camera, middle_m: Array, own_t: Array, order: Order) -> Array:
    """(T, P, 2) pixels of points that are at middle_m when the middle row is exposed, each at its own."""
    uv = camera.project(middle_m)
    if order.readout_s == 0:
        return uv
    shutter = Clock(camera.name, 0.0, 0.0, readout_s=order.readout_s, first_side=order.first_side)
    fine = np.arange(own_t[0] - 0.02, own_t[-1] + 0.02, 1e-3)
    curves = [CubicSpline(fine, x) for x in np.moveaxis(truth_at(order.serve, fine), 1, 0)]
    for _ in range(4):  # a point moves little during a readout, so its row settles quickly
        row_t = shutter.rig_time(own_t, uv, camera.size_px)
        uv = camera.project(np.stack([curve(row_t[:, p]) for p, curve in enumerate(curves)], axis=1))
    return uv


def _noise(t: Array, shape: NoiseShape, points: int, rng: np.random.Generator) -> Array:
    """(T, P, 2) of variance 1."""
    phi = float(np.exp(-np.median(np.diff(t)) / shape.slow_s))
    slow = rng.standard_normal((len(t), points, 2))
    for k in range(1, len(t)):
        slow[k] = phi * slow[k - 1] + np.sqrt(1 - phi**2) * slow[k]
    white, bias = rng.standard_normal(slow.shape), rng.standard_normal((1, points, 2))
    return np.asarray(np.sqrt(shape.white) * white + np.sqrt(shape.slow) * slow + np.sqrt(shape.bias) * bias)


def _spoil(uv: Array, order: Order, k: int, from_contact_s: Array, rng: np.random.Generator) -> None:
    """Gross errors of the ordered kinds, in place."""
    frames, points = uv.shape[:2]
    wrong = rng.random((frames, points)) < order.gross
    angle = rng.uniform(0, 2 * np.pi, int(wrong.sum()))
    uv[wrong] += rng.uniform(30, 150, len(angle))[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    for p in range(points):
        for start in np.flatnonzero(rng.random(frames) < order.bursts / order.fps):
            uv[start : start + 8, p] += 40 * rng.choice([-1, 1], 2)
    if order.first_and_last and k == 1:
        uv[[0, -1]] += [80.0, -80.0]
    if order.swapped_s and k == 0:
        when = np.abs(from_contact_s + 0.15) < order.swapped_s / 2
        for part in ("shoulder", "elbow", "wrist", "thumb", "index", "pinky"):
            pair = np.array([FOLLOWED.index(f"{side}_{part}") for side in ("left", "right")])
            uv[np.ix_(when, pair)] = uv[np.ix_(when, pair[::-1])]
    if order.lost_s and k == 0:
        uv[np.abs(from_contact_s) < order.lost_s / 2] = np.nan


def _static_m(cameras: tuple[Camera, ...], xyz: Array, sigma_px: float) -> Array:
    """(T, P) root of the trace of the Cramér-Rao bound of one instant's views."""
    information = np.zeros((*xyz.shape[:2], 3, 3))
    for camera in cameras:
        _, J = camera.project_with_jacobian(xyz)
        information += np.einsum("tpki,tpkj->tpij", J, J) / sigma_px**2
    return np.asarray(np.sqrt(np.trace(np.linalg.inv(information), axis1=2, axis2=3)))
