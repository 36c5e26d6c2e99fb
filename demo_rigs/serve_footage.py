"""Films one serve with one camera: moving windows, shutter blur, shadow, noise, MP4."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from calibration.checks import Array
from demo_rigs.appearance import Dressed, dress
from demo_rigs.board_footage import Tick
from demo_rigs.court_scene import ground_points
from demo_rigs.description import Academy, ServeEntry
from demo_rigs.effects import Sensor, to_bytes
from demo_rigs.footage import clip
from demo_rigs.lens_map import LensMap, Window, window_around
from demo_rigs.motion import MIRROR, Moment, Serve
from demo_rigs.placed import PlacedServe
from demo_rigs.players import Skin, build_serve
from demo_rigs.racket_ball import BALL_RADIUS_M, LENGTH_M
from demo_rigs.renderer import Stage

_MAX_SHARE_PX = 0.9  # a blur step moves nothing farther than this
_MAX_STEPS = 9
_CHUNK = 24  # frames posed at once
_CELL_M = 0.025


def frame_times(a: Academy, entry: ServeEntry, camera: str) -> Array:
    """Scene time of each frame's mid exposure."""
    start, end = entry.starts_s[camera], entry.ends_s[camera]
    return start + np.arange(int((end - start) * a.picture.serve_fps)) / a.picture.serve_fps


def film_serve(
    a: Academy, entry: ServeEntry, camera: str, backdrop: Array, wheel: Path, path: Path, tick: Tick
) -> None:
    """One camera's clip of one serve."""
    times = frame_times(a, entry, camera)
    shots = ServeCamera(a, build_serve(wheel, entry), entry, camera, backdrop)
    seed = [a.seed, 21, list(a.cameras).index(camera), sum(map(ord, entry.name))]
    sensor = Sensor(
        a.picture.shot_noise, a.picture.read_noise, int(np.random.default_rng(seed).integers(2**31))
    )
    with clip(path, a.picture.size_px, a.picture.serve_fps, a.picture.serve_crf) as out:
        for first in range(0, len(times), _CHUNK):
            for picture in shots.pictures(times[first : first + _CHUNK]):
                out.add(sensor.expose(picture))
            tick(min(first + _CHUNK, len(times)), len(times))


class ServeCamera:
    """Clean pictures (before noise) of a serve as one camera takes them."""

    def __init__(
        self,
        a: Academy,
        serve: Serve | PlacedServe,
        entry: ServeEntry,
        camera: str,
        backdrop: Array,
        *,
        racket: bool = True,
    ) -> None:
        self._exposure_s = a.picture.exposure_s
        self._serve, self._camera = serve, a.cameras[camera]
        self._lens = LensMap(self._camera)
        self._lighting = a.lighting
        self._backdrop = backdrop.astype(np.float32) * np.float32(a.lighting.court)
        self._clean = to_bytes(self._backdrop)
        self._dressed: Dressed = dress(serve.body, entry.athlete)
        self._skin = Skin(self._dressed.weights, self._dressed.vertices_m, self._dressed.normals)
        self._stage = Stage(self._camera, self._dressed, serve.grip, a.lighting, tape=entry.tape)
        self._ball_seen = entry.ball
        if not racket:
            self._stage.hide_racket()
        self._ground = ground_points(self._camera)
        self._hand = serve.body.index("wrist.R")

    def pictures(self, times: Array, onto: list[Array] | None = None) -> list[Array]:
        """(H, W, 3) uint8 pictures at mid-exposure times, drawn over pictures of farther people where given."""
        steps = self._blur_steps(times)
        instants, owner = [], []
        for k, (t, n) in enumerate(zip(times, steps, strict=True)):
            instants.append(t + ((np.arange(n) + 0.5) / n - 0.5) * self._exposure_s)
            owner.append(np.full(n, k))
        moment = self._at(np.concatenate(instants))
        which = np.concatenate(owner)
        out = []
        for k in range(len(times)):
            if onto is not None:
                self._clean, self._backdrop = onto[k], onto[k].astype(np.float32) / np.float32(255)
            out.append(self._picture(moment, np.flatnonzero(which == k)))
        return out

    def _at(self, t_s: Array) -> Moment:
        moment = self._serve.at(t_s)
        return moment if self._ball_seen else replace(moment, ball_m=np.full_like(moment.ball_m, np.nan))

    def _blur_steps(self, times: Array) -> Array:
        """How many instants each frame's exposure is averaged over, from how far anything moves in it."""
        half = self._exposure_s / 2
        both = self._at(np.concatenate([times - half, times + half]))
        n = len(times)
        ends = np.concatenate([self._joints(both), both.ball_m[:, None]], axis=1)
        px = self._camera.project(ends)
        with np.errstate(invalid="ignore"):
            moved = np.nan_to_num(np.linalg.norm(px[n:] - px[:n], axis=-1)).max(axis=1)
        return np.clip(np.ceil(moved / _MAX_SHARE_PX), 1, _MAX_STEPS).astype(int)

    def _joints(self, m: Moment) -> Array:
        """A few far points (T, N, 3): racket's ends and every joint."""
        body = self._serve.body
        joints = (m.bone_R @ body.head_m[:, :, None])[..., 0] + m.bone_t_m
        along = self._serve.grip.points(np.array([0.0, LENGTH_M]))
        racket = (m.bone_R[:, self._hand, None] @ along[None, :, :, None])[..., 0] + m.bone_t_m[
            :, self._hand, None
        ]
        both = np.concatenate([joints, racket], axis=1)
        return both * MIRROR if m.mirrored else both

    def _picture(self, m: Moment, instants: Array) -> Array:
        """One frame: the mean, in linear light, of its instants, drawn only where something moves."""
        shapes = [self._skin.at(m, i) for i in instants]
        windows = self._windows(m, instants, shapes)
        base, out = self._shaded(m, int(instants[len(instants) // 2]), shapes[len(shapes) // 2][0])
        total = {w: np.zeros((w.bottom - w.top, w.right - w.left, 3), np.float32) for w, _, _ in windows}
        for i, shape in zip(instants, shapes, strict=True):
            self._place(m, i, shape)
            for window, athlete, ball in windows:
                drawn = self._drawn(window, m.ball_m[i], athlete=athlete, ball=ball)
                cover = drawn[..., 3:] / 255
                total[window] += (base[window.slices()] * (1 - cover) + drawn[..., :3] / 255) ** 2
        for window, _, _ in windows:
            out[window.slices()] = to_bytes(np.sqrt(total[window] / len(instants)))
        return out

    def _place(self, m: Moment, i: int, shape: tuple[Array, Array]) -> None:
        R, t = m.bone_R[i, self._hand], m.bone_t_m[i, self._hand]
        if m.mirrored:
            R, t = MIRROR[:, None] * R, MIRROR * t
        self._stage.move(*shape, R, t, m.ball_m[i])

    def _drawn(self, window: Window, ball_m: Array, *, athlete: bool, ball: bool) -> Array:
        """Colour times coverage, and coverage, of one window, 0-255 (h, w, 4)."""
        if not athlete:
            return self._stage.ball_alone(window, ball_m)
        at = self._lens.straight_window(window)
        straight = self._stage.draw(at, ball=ball).astype(np.float32)
        return self._lens.bend(straight, at, window)

    def _shaded(self, m: Moment, i: int, vertices: Array) -> tuple[Array, Array]:
        """The empty court with the shadow on it: floats, and bytes to draw the frame on."""
        out = self._clean.copy()
        shadow, where = self._shadow(m, i, vertices)
        if where is None:
            return self._backdrop, out
        base = self._backdrop.copy()
        base[where.slices()] *= self._shade(shadow, where)[..., None]
        out[where.slices()] = to_bytes(base[where.slices()])
        return base, out

    def _windows(self, m: Moment, instants: Array, shapes: list) -> list[tuple[Window, bool, bool]]:
        """Where athlete and ball are in this frame: one window for both, or two apart."""
        size = self._camera.size_px
        racket = self._racket_outline(m, instants)
        points = np.concatenate([racket, *(v[::7] for v, _ in shapes)])
        athlete = window_around(self._camera.project(points), size, 12)
        ball_points = (
            m.ball_m[instants][:, None] + BALL_RADIUS_M * np.vstack([np.eye(3), -np.eye(3)])
        ).reshape(-1, 3)
        ball = window_around(self._camera.project(ball_points), size, 3)
        if athlete is None or ball is None:
            return [(w, w is athlete, w is ball) for w in (athlete, ball) if w is not None]
        if athlete.touches(ball):
            return [(athlete.joined(ball), True, True)]
        return [(athlete, True, False), (ball, False, True)]

    def _racket_outline(self, m: Moment, instants: Array) -> Array:
        corners = self._serve.grip.points(
            np.array([0.0, 0.36, 0.36, 0.70, 0.70]), np.array([0.0, -0.15, 0.15, -0.15, 0.15])
        )
        R, t = m.bone_R[instants, self._hand], m.bone_t_m[instants, self._hand]
        out = np.asarray((R[:, None] @ corners[None, :, :, None])[..., 0] + t[:, None]).reshape(-1, 3)
        return out * MIRROR if m.mirrored else out

    def _shadow(self, m: Moment, i: int, vertices: Array) -> tuple[tuple[Array, Array], Window | None]:
        """Soft shadow of body, racket and ball as a map of the ground, and the window in which it is seen."""
        ball = m.ball_m[i : i + 1] if np.isfinite(m.ball_m[i]).all() else np.empty((0, 3))
        p = np.concatenate([vertices, _dense(self._racket_outline(m, np.array([i]))), ball])
        sun = self._lighting.sun_direction()
        flat = p[:, :2] - p[:, 2:] * sun[:2] / sun[2]
        low = vertices[:, :2].min(axis=0) - 3.0
        cells = np.floor((flat - low) / _CELL_M).astype(int)
        shape = np.array([320, 320])
        cells = cells[np.all((cells >= 0) & (cells < shape), axis=1)]
        grid = np.zeros(tuple(shape), np.float32)
        grid[cells[:, 0], cells[:, 1]] = 1.0
        grid = cv2.morphologyEx(grid, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
        grid = cv2.GaussianBlur(grid, (0, 0), 1.1)
        corners = np.array([flat.min(axis=0), flat.max(axis=0)])
        ring = np.array([[x, y, 0.0] for x in corners[:, 0] for y in corners[:, 1]])
        return (grid, low), window_around(self._camera.project(ring), self._camera.size_px, 8)

    def _shade(self, shadow: tuple[Array, Array], window: Window) -> Array:
        """Brightness factor (h, w) of the ground in a window."""
        grid, low = shadow
        rows, columns = window.slices()
        cell = ((self._ground[rows, columns] - low) / _CELL_M - 0.5).astype(np.float32)
        cell = np.nan_to_num(cell, nan=-10.0)
        dark = cv2.remap(grid, cell[..., 1], cell[..., 0], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        return np.asarray(1 - self._lighting.shade * dark)


def _dense(outline: Array) -> Array:
    """Points along the handle and the head's rim, close enough for the shadow's cells."""
    butt, a, b, c, d = outline
    s = np.linspace(0, 1, 30)[:, None]
    return np.concatenate([butt + s * ((a + b) / 2 - butt), a + s * (c - a), b + s * (d - b), c + s * (d - c)])
