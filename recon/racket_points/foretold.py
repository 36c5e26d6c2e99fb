"""Where clicks in other frames and cameras foretell a point: lines and places that help the person who clicks.

Nothing here is measured with: what is clicked counts, not what was foretold.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import Clocks

_NEAR_M, _FAR_M, _ALONG = 1.0, 40.0, 60  # of a ray, and in how many steps, the nearer the denser
_BESIDE_FRAMES = 0.75  # a click serves for a time that lies so near
_REACH_S = 0.15  # beyond the first and last click nothing is foretold, nor over longer stretches


@dataclass(frozen=True, slots=True)
class Seen:
    """One click: when, on the camera's own clock, and where."""

    camera: str
    point: str
    t_s: float
    uv_px: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A polyline (N, 2) of pixels in one picture: where a point of another camera's picture may be."""

    from_camera: str
    uv_px: Array


def epipolar_line(of: Camera, uv_px: Array, on: Camera) -> Array:
    """Pixels (N, 2) in camera `on` of the ray through a pixel of camera `of`, bent as the lens bends lines.

    Only what lies in front of it and inside its picture, and half a picture around; perhaps nothing.
    """
    along = np.geomspace(_NEAR_M, _FAR_M, _ALONG)[:, None]
    on_ray = of.centre_m() + along * of.rays(np.asarray(uv_px, dtype=float))
    uv = on.project(on_ray)
    near = np.abs(uv / on.size_px - 0.5).max(axis=1) < 1.0
    # beyond the lens's own cone its terms may fold points back into the picture
    n = on.cam_from_world.apply(on_ray)
    corners = np.array([[0, 0], [on.size_px[0], 0], [0, on.size_px[1]], on.size_px], dtype=float)
    widest = 1.2 * float(np.nanmax(np.linalg.norm(on.normalised(corners), axis=1)))
    return np.asarray(uv[near & (np.linalg.norm(n[:, :2], axis=1) < widest * np.maximum(n[:, 2], 0.0))])


@dataclass(frozen=True, slots=True, eq=False)
class Foreteller:
    """Foretells from clicks. step_s: usual time from frame to frame, camera by camera."""

    cameras: Sequence[Camera]
    clocks: Clocks
    step_s: Mapping[str, float]

    def lines(self, clicks: Sequence[Seen], point: str, camera: str, t_s: float) -> list[Line]:
        """Epipolar lines in a camera's frame of the other cameras' clicks at that time, moved on to that
        time."""
        rig = float(self.clocks.of(camera).rig_time(t_s))
        on = next(c for c in self.cameras if c.name == camera)
        out = []
        for of in self.cameras:
            place = None if of.name == camera else self._at(clicks, point, of.name, rig)
            if place is not None:
                line = epipolar_line(of, place, on)
                if len(line) > 1:
                    out.append(Line(of.name, line))
        return out

    def place(self, clicks: Sequence[Seen], point: str, camera: str, t_s: float) -> Array | None:
        """Pixel (2,) where the point may be in a frame: through its places in space, else through its
        pixels."""
        rig = float(self.clocks.of(camera).rig_time(t_s))
        times, places = self._in_space(clicks, point)
        if len(times) >= 2 and _within(rig, times):
            on = next(c for c in self.cameras if c.name == camera)
            uv = on.project(CubicSpline(times, places)(rig))
            return uv if np.isfinite(uv).all() else None
        own = self._path(clicks, point, camera)
        return own[1](rig) if own is not None and _within(rig, own[0]) else None

    def _in_space(self, clicks: Sequence[Seen], point: str) -> tuple[Array, Array]:
        """Times (N,) and places (N, 3) at which two cameras or more know the point, apart by half a frame."""
        found: list[tuple[float, Array]] = []
        wanted = [self._rig(c) for c in clicks if c.point == point]
        for rig in sorted(wanted):
            if found and rig - found[-1][0] < 0.5 * max(self.step_s.values()):
                continue
            seen = [(c, self._at(clicks, point, c.name, rig)) for c in self.cameras]
            rays = [(c, uv) for c, uv in seen if uv is not None]
            if len(rays) >= 2:
                found.append((rig, nearest_to_rays(rays)))
        if not found:
            return np.empty(0), np.empty((0, 3))
        return np.array([t for t, _ in found]), np.stack([x for _, x in found])

    def _rig(self, click: Seen) -> float:
        return float(self.clocks.of(click.camera).rig_time(click.t_s))

    def _path(self, clicks: Iterable[Seen], point: str, camera: str) -> tuple[Array, CubicSpline] | None:
        """Rig times of a camera's clicks of a point and the curve through them; None with fewer than two."""
        own = sorted((c for c in clicks if c.point == point and c.camera == camera), key=lambda c: c.t_s)
        times = np.array([self._rig(c) for c in own])
        return None if len(own) < 2 else (times, CubicSpline(times, np.array([c.uv_px for c in own])))

    def _at(self, clicks: Sequence[Seen], point: str, camera: str, rig_s: float) -> Array | None:
        """Where a camera's click beside this time puts the point then; None where there is none."""
        own = [c for c in clicks if c.point == point and c.camera == camera]
        if not own:
            return None
        near = min(own, key=lambda c: abs(self._rig(c) - rig_s))
        late = rig_s - self._rig(near)
        if abs(late) > _BESIDE_FRAMES * self.step_s[camera]:
            return None
        path = self._path(clicks, point, camera)
        moved = np.zeros(2) if path is None else path[1](self._rig(near), 1) * late
        return np.asarray(np.array(near.uv_px) + moved)


def _within(t: float, times: Array) -> bool:
    """Whether a time lies between clicks no farther apart than the reach, or near to the outermost."""
    after = int(np.searchsorted(times, t))
    if after in (0, len(times)):
        return bool(np.abs(times - t).min() <= _REACH_S / 2)
    return bool(times[after] - times[after - 1] <= _REACH_S)


def nearest_to_rays(seen: Sequence[tuple[Camera, Array]]) -> Array:
    """The point (3,) nearest to rays through pixels, the farther camera's counting less: least squares of
    pixels, roughly."""
    x: Array = np.zeros(3)
    for _ in range(2):  # the weights need a place
        normal: Array = np.zeros((3, 3))
        pull: Array = np.zeros(3)
        for camera, uv in seen:
            ray, centre = camera.rays(uv), camera.centre_m()
            away = max(float(np.linalg.norm(x - centre)), 1.0)
            across = (np.eye(3) - np.outer(ray, ray)) / away**2
            normal += across
            pull += across @ centre
        x = np.asarray(np.linalg.solve(normal, pull), dtype=float)
    return x
