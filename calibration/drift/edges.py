"""Painted line edges in a picture: where a registered camera expects them, and where they are, to a part of a
pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.court.model import PAINTED_LINES
from calibration.drift.grey import Grey, cut_off, sampled_at
from calibration.drift.shifts import Shifts, predicted_uv
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid

_SPACING_M = 0.25  # along a line
_STEP_PX = 0.5  # along a profile
_AVERAGED_PX = np.linspace(-4.0, 4.0, 9)  # side by side profiles that are averaged
_EDGE_WIDTH_PX = 2.5  # a line must be this wide in the picture for its two edges to be apart after smoothing
_LEAST_WIDTH_PX = 0.5  # a narrower one hardly stands out; between the two its middle is measured
WIDTH_U_M = 0.0036
"""Half the width of a line is 12.5 to 25 mm by the rules; spread evenly, its middle is known to 12.5 mm / sqrt
12.
"""
_MARGIN_PX = 12  # what lies nearer to the border has no whole profile
_LEAST_RISE = 8.0  # grey levels of 255 between paint and ground
_U_PX = 0.1  # of one averaged edge; the true scatter is estimated when the motion is fitted
_OUTER = {
    "baseline": ("y0", -1), "far_baseline": ("y1", 1), "left_doubles": ("x0", -1), "right_doubles": ("x1", 1),
    "left_singles": ("x0", -1), "right_singles": ("x1", 1), "service": ("y0", -1), "far_service": ("y1", 1),
}  # fmt: skip
"""Line → its edge that the rules lay down (all measures run to the outside), and the sign of the way out."""


@dataclass(frozen=True, slots=True, eq=False)
class EdgePoints:
    """Points on painted lines.

    x_m      (K, 3) court frame: on the outer edge, or in the middle of a line too thin in the picture
    out      (K, 3) unit way off the paint
    width_m  (K,) of the line
    line     (K,) its number among PAINTED_LINES
    middle   (K,) 1 where the middle is meant, 0 for the edge
    """

    x_m: Array
    out: Array
    width_m: Array
    line: Array
    middle: Array

    def part(self, keep: NDArray[np.bool_]) -> EdgePoints:
        """The chosen points."""
        return EdgePoints(
            self.x_m[keep], self.out[keep], self.width_m[keep], self.line[keep], self.middle[keep]
        )


def edge_points() -> EdgePoints:
    """Points every quarter of a metre along the outer edges of the court's lines."""
    x, out, width, number = [], [], [], []
    for n, line in enumerate(PAINTED_LINES):
        if line.name not in _OUTER:
            continue
        side, sign = _OUTER[line.name]
        across = side.startswith("y")
        low, high = (line.x0_m, line.x1_m) if across else (line.y0_m, line.y1_m)
        at = {"y0": line.y0_m, "y1": line.y1_m, "x0": line.x0_m, "x1": line.x1_m}[side]
        along = np.arange(low + _SPACING_M, high - _SPACING_M / 2, _SPACING_M)
        fixed, zero = np.full_like(along, at), np.zeros_like(along)
        x.append(np.stack([along, fixed, zero] if across else [fixed, along, zero], axis=1))
        out.append(np.tile([0.0, sign, 0.0] if across else [sign, 0.0, 0.0], (len(along), 1)))
        width += [line.width_m] * len(along)
        number += [float(n)] * len(along)
    count = np.zeros(len(width))
    return EdgePoints(np.concatenate(x), np.concatenate(out), np.array(width), np.array(number), count)


def _edges_or_middles(camera: Camera) -> EdgePoints:
    """Of the lines in the camera's picture, the outer edge where it can be told apart, else the middle."""
    points = edge_points()
    _, _, wide = _seen(camera, camera.cam_from_world, points)
    thin = ((wide > 0) & (wide <= _EDGE_WIDTH_PX)).astype(float)
    inwards = (thin * points.width_m / 2)[:, None] * points.out
    points = EdgePoints(points.x_m - inwards, points.out, points.width_m, points.line, thin)
    _, _, wide = _seen(camera, camera.cam_from_world, points)
    return points.part(wide > _LEAST_WIDTH_PX)


def edge_shifts(camera: Camera, reference: Grey | None, new: Grey, motion: Rigid, reach_px: float) -> Shifts:
    """Edges near where `motion` puts them, at most reach_px off.

    With a reference picture the edge is measured in both pictures, so that neither the paint's laying errors
    nor the registered camera's matter; without one it is compared with the rules' measures (kind "court lines"
    both).
    """
    points = _edges_or_middles(camera)
    still_uv, normal, _ = _seen(camera, camera.cam_from_world, points)
    count = len(points.line)
    blank = np.zeros(count)
    asked = Shifts(
        "court lines", still_uv, normal, blank, np.full(count, _U_PX), np.full(count, np.nan), blank,
        points.x_m, points.line,
    )  # fmt: skip
    uv = predicted_uv(camera, motion, asked)
    turned = _normals_after(camera, motion, points)
    at, ok = _found(new, uv, turned, points.middle, reach_px)
    own = np.zeros(count)
    if reference is not None:
        own, ok_before = _found(reference, still_uv, normal, points.middle, 4.0)
        ok = ok & ok_before
    measured = (turned * uv).sum(axis=1) + at
    from_uv = still_uv + own[:, None] * normal
    kept = np.flatnonzero(ok)
    relative = reference is not None
    return Shifts(
        "court lines", from_uv[kept], turned[kept], measured[kept], np.full(len(kept), _U_PX),
        np.full(len(kept), np.nan), np.zeros(len(kept)), None if relative else points.x_m[kept],
        np.full(len(kept), -1.0) if relative else points.line[kept],
    )  # fmt: skip


def _seen(camera: Camera, pose: Rigid, points: EdgePoints) -> tuple[Array, Array, Array]:
    """Pixels (K, 2), unit normals off the paint (K, 2), and the line's width there (K,) px; 0 out of sight."""
    standing = camera.placed(pose)
    uv, by_point, _ = standing.project_all(points.x_m)
    out = np.einsum("kij,kj->ki", by_point, points.out)
    along = np.einsum("kij,kj->ki", by_point, np.abs(points.out[:, [1, 0, 2]]))
    # the edge runs along `along` in the picture; its normal is what of `out` stands square to it
    with np.errstate(divide="ignore", invalid="ignore"):
        along = along / np.linalg.norm(along, axis=1, keepdims=True)
        square = out - (out * along).sum(axis=1, keepdims=True) * along
        size = np.linalg.norm(square, axis=1)
        normal = square / size[:, None]
    width, height = camera.size_px
    inside: NDArray[np.bool_] = np.isfinite(uv).all(axis=1) & np.isfinite(normal).all(axis=1)
    inside &= (uv > _MARGIN_PX).all(axis=1) & (uv < np.array([width, height]) - 1 - _MARGIN_PX).all(axis=1)
    return uv, normal, np.where(inside, np.nan_to_num(size) * points.width_m, 0.0)


def _normals_after(camera: Camera, motion: Rigid, points: EdgePoints) -> Array:
    """Unit normals (K, 2) in the new picture."""
    pose = Rigid(
        motion.R @ camera.cam_from_world.R, motion.R @ camera.cam_from_world.t_m + motion.t_m,
        camera.cam_from_world.dst, camera.cam_from_world.src,
    )  # fmt: skip
    _, normal, _ = _seen(camera, pose, points)
    return np.where(np.isfinite(normal), normal, 0.0)


def _found(
    grey: Grey, uv: Array, normal: Array, middle: Array, reach_px: float
) -> tuple[Array, NDArray[np.bool_]]:
    """Offset (K,) px of the edge along the normal, and (K,) whether there is one clear edge within reach.

    The paint is brighter than the ground. Going outwards the grey value falls: the edge is where it falls
    fastest, a thin line's middle where it is highest; both by a parabola through the extreme sample and its
    neighbours.
    """
    steps = np.arange(-reach_px - 1, reach_px + 1 + _STEP_PX / 2, _STEP_PX)
    tangent = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    at = uv[:, None, None] + steps[:, None, None] * normal[:, None, None]
    at = at + _AVERAGED_PX[:, None] * tangent[:, None, None]
    at = at.reshape(len(uv), -1, 2)
    values = sampled_at(grey.values, at).reshape(len(uv), len(steps), -1).mean(axis=2)
    fall = -(values[:, 2:] - values[:, :-2]) / (2 * _STEP_PX)
    signal = np.nan_to_num(np.where(middle[:, None] > 0, values[:, 1:-1], fall), nan=-1e3)
    best = np.clip(signal.argmax(axis=1), 1, signal.shape[1] - 2)
    rows = np.arange(len(uv))
    a, b, c = (signal[rows, best + k] for k in (-1, 0, 1))
    bend = a - 2 * b + c
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(bend < 0, 0.5 * (a - c) / bend, 0.0)
    offset = steps[1:-1][best] + np.clip(part, -1, 1) * _STEP_PX
    rise = np.ptp(np.nan_to_num(values), axis=1)
    clear = (rise > _LEAST_RISE) & (bend < 0) & (np.abs(offset) < reach_px)
    whole = np.isfinite(values).all(axis=1) & ~cut_off(grey, at)
    return offset, clear & whole
