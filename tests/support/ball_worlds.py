"""Invented tosses for tests and benchmarks: a hand that opens in one of several ways, a strike, noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.flight.kinds import BALL_KINDS
from recon.records import KEYPOINTS, BallCandidates, BallFlight, CameraTracks, Clock, Clocks, Tracks2D
from recon.records.arc import arc

DRAG_PER_M = BALL_KINDS["full"].drag_per_m[0]
BALL = KEYPOINTS.index("ball")


@dataclass(frozen=True, kw_only=True)
class InventedToss:
    """The ball's true path. Before release it is on its arc less an opening: how the hand's hold ends.

    opening   "jump": the hand pushes until the very end; "even": the push dies at an even rate over 60 ms, as
              under a ball that lies on a slowing hand; "fade", "slip": it fades as the square of the time left
              over 90 and 40 ms
    contact_s None: falls back, caught at the height it came from
    """

    release_s: float = 0.6
    contact_s: float | None = 1.5
    start_m: tuple[float, float, float] = (0.25, 0.30, 1.85)
    velocity_m_s: tuple[float, float, float] = (0.05, 0.30, 5.4)
    struck_m_s: tuple[float, float, float] = (-3.0, 46.0, -6.0)
    opening: str = "jump"
    gravity_m_s2: float = 9.81
    drag_per_m: float = DRAG_PER_M
    visible_s: float = 0.12
    end_s: float = field(default=1.75)

    def at(self, t_s: Array) -> Array:
        """Ball centres (T, 3); NaN long after it left the scene."""
        x0, v0 = np.array(self.start_m), np.array(self.velocity_m_s)
        pulls = (self.gravity_m_s2, self.drag_per_m)
        x = arc(x0, v0, *pulls, t_s - self.release_s)[0]
        held = t_s < self.release_s
        x[held] += self._hold(self.release_s - t_s[held])
        if self.contact_s is not None:
            after = t_s > self.contact_s
            met = arc(x0, v0, self.gravity_m_s2, self.drag_per_m, np.array([self.contact_s - self.release_s]))[
                0
            ][0]
            x[after] = arc(met, np.array(self.struck_m_s), *pulls, t_s[after] - self.contact_s)[0]
        else:
            caught = (t_s > self.release_s + 0.3) & (x[:, 2] < x0[2])
            if caught.any():
                x[caught] = x[int(np.argmax(caught))]
        return x

    def _hold(self, before_s: Array) -> Array:
        """(T, 3) how far the held ball is from its later arc, so long before release."""
        push = np.array([2.0, -3.0, 26.0])  # m/s² above free fall while the hand lifts
        s = before_s[:, None]
        if self.opening == "jump":
            return push * s**2 / 2
        if self.opening == "even":
            near, far = push * s**3 / 0.36, push * (s**2 / 2 - 0.03 * s + 0.0006)
            return np.asarray(np.where(s < 0.06, near, far))
        fade = {"fade": 0.09, "slip": 0.04}[self.opening]
        u = np.minimum(s / fade, 1.0)  # the push grows as the square of the time before release
        near = push * s**2 * u**2 / 12
        far = push * (s**2 / 2 - 2 * s * fade / 3 + fade**2 / 4)
        return np.asarray(np.where(s < fade, near, far))

    def hand_at(self, t_s: Array) -> Array:
        """Wrist (T, 3): below the carried ball, and left behind from the release on."""
        x = self.at(np.minimum(t_s, self.release_s))
        after = np.maximum(t_s - self.release_s, 0.0)[:, None]
        v, slow = np.array(self.velocity_m_s), np.array([0.5, 1.0, 32.0])
        run = np.minimum(after, v[2] / slow[2])  # until the arm is up
        grown = {"jump": 0.0, "even": 0.04, "fade": 0.06, "slip": 0.03}[self.opening]
        start = np.maximum(run - grown, 0.0)
        return np.asarray(x + v * run - slow * start**2 / 2 + np.array([-0.02, -0.06, -0.10]))


@dataclass(frozen=True, kw_only=True)
class Filming:
    """How it is filmed. offsets_s: rig time = camera time + offset; lost: share without the ball."""

    fps: float = 120.0
    sigma_px: float = 1.0
    told_px: float | None = None
    readout_s: float = 0.0
    offsets_s: tuple[float, ...] = (0.0, 0.0031, -0.0017)
    lost: float = 0.03
    gross: float = 0.0
    clutter: int = 0
    span_s: tuple[float, float] = (0.0, 1.75)


def filmed(
    toss: InventedToss | Sequence[InventedToss],
    cameras: Sequence[Camera],
    filming: Filming,
    rng: np.random.Generator,
) -> tuple[Tracks2D, Clocks, dict[str, BallCandidates]]:
    """Tracks with the ball alone, clocks, and candidates: the balls, strays of their own, in mixed order."""
    tosses = [toss] if isinstance(toss, InventedToss) else list(toss)
    seen, clocks, candidates = [], [], {}
    for k, camera in enumerate(cameras):
        offset = filming.offsets_s[k]
        t = (
            np.arange(filming.span_s[0], filming.span_s[1], 1 / filming.fps)
            - offset
            + rng.uniform(0, 0.5 / filming.fps)
        )
        clock = Clock(camera.name, offset, 0.0, readout_s=filming.readout_s)
        balls = np.stack([_ball_px(one, camera, clock, t, filming, rng) for one in tosses], axis=1)
        strays = _strays(camera, len(t), filming.clutter, rng)
        uv = np.concatenate([balls, strays], axis=1)
        order = rng.permuted(np.tile(np.arange(uv.shape[1]), (len(t), 1)), axis=1)
        uv = np.take_along_axis(uv, order[..., None], axis=1)
        gone = np.isnan(uv[..., 0])
        told = filming.told_px or filming.sigma_px
        size = np.where(gone, np.nan, 9.0)
        candidates[camera.name] = BallCandidates(
            uv, np.where(gone, np.nan, told), size, np.where(gone, np.nan, 0.8)
        )  # fmt: skip
        points = np.full((len(t), len(KEYPOINTS), 2), np.nan)
        points[:, BALL] = balls[:, 0]
        sigma = np.where(np.isnan(points[..., 0]), np.nan, told)
        seen.append(CameraTracks(camera.name, camera.size_px, t, points, sigma))
        clocks.append(clock)
    return Tracks2D(KEYPOINTS, tuple(seen), "invented toss"), Clocks(cameras[0].name, tuple(clocks)), candidates


def _ball_px(
    toss: InventedToss, camera: Camera, clock: Clock, t_cam: Array, filming: Filming, rng: np.random.Generator
) -> Array:
    rig = clock.rig_time(t_cam)
    uv = camera.project(toss.at(rig))
    for _ in range(4):  # each pixel at the time of its own row
        late = clock.readout_s * np.clip(clock.row_share(np.nan_to_num(uv), camera.size_px), -0.5, 0.5)
        uv = camera.project(toss.at(rig + late))
    uv = uv + rng.normal(0, filming.sigma_px, uv.shape)
    outside = ~((uv > 0) & (uv < np.array(camera.size_px))).all(axis=1)
    hidden = rig < toss.release_s - toss.visible_s
    uv[outside | hidden | (rng.random(len(uv)) < filming.lost)] = np.nan
    wrong = rng.random(len(uv)) < filming.gross
    uv[wrong] += rng.uniform(30, 150, (wrong.sum(), 2)) * rng.choice([-1, 1], (wrong.sum(), 2))
    return uv


def _strays(camera: Camera, count: int, clutter: int, rng: np.random.Generator) -> Array:
    """Patches that stay about where they are, flicker, or cross the picture: none of them falls."""
    size = np.array(camera.size_px)
    out = np.full((count, clutter, 2), np.nan)
    for k in range(clutter):
        start, speed = rng.uniform(0.1, 0.9, 2) * size, rng.normal(0, 2.0, 2) * (k % 2)
        sway = 15 * np.sin(np.arange(count)[:, None] * rng.uniform(0.02, 0.1) + rng.uniform(0, 6, 2))
        out[:, k] = start + speed * np.arange(count)[:, None] + sway + rng.normal(0, 0.7, (count, 2))
        out[rng.random(count) < 0.2, k] = np.nan
        out[~((out[:, k] > 0) & (out[:, k] < size)).all(axis=1), k] = np.nan
    return out


def quantities(flight: BallFlight) -> Array:
    """(8,) apex (x, y, z), contact time, place at contact (x, y, z), speed after it; NaN where none is."""
    contact = np.nan if flight.contact_s is None else flight.contact_s
    return np.array([*flight.apex()[1], contact, *flight.at(contact), flight.struck_speed_m_s() or np.nan])


def true_quantities(toss: InventedToss) -> Array:
    """The same of the true path of a toss that is struck, told from very many places on it."""
    assert toss.contact_s is not None
    path = toss.at(np.linspace(toss.release_s, toss.contact_s, 20001))
    return np.array([*path[path[:, 2].argmax()], toss.contact_s, *path[-1], np.linalg.norm(toss.struck_m_s)])
