"""Sub-pixel registration of small patches between the reference picture and a new one."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.checks import Array
from calibration.drift.grey import SMOOTHING_PX, Grey, cut_off, sampled_at
from calibration.drift.places import Places
from calibration.drift.shifts import Shifts, predicted_uv
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid

_ROUNDS = 8
CLIPPED = (
    247.0  # smoothed grey values above it were cut off by the sensor; a cut-off edge seems to lie farther out
)
_LIKE = 0.75  # least correlation of a patch with its template; players and shadow edges fall below
_LARGEST_U_PX = 0.25  # a direction known worse than this tells nothing about a nudge
_FLOOR_U_PX = 0.02  # interpolation and the sensor's fixed pattern leave this even without noise
_LONGEST_PX = 3.0  # a patch that ran farther from its prediction has lost its place


def half_side_px(width_px: int) -> int:
    """Half side of a patch: 10 px in a picture 1280 wide, in proportion in others."""
    return max(6, round(width_px / 128))


@dataclass(frozen=True, slots=True, eq=False)
class _Templates:
    values: Array  # (N, P)
    columns: Array  # (N, P, 4) d/du, d/dv, value, 1
    normal: Array  # (N, 4, 4)
    offsets: Array  # (P, 2)


def patch_shifts(
    camera: Camera,
    places: Places,
    reference: Grey,
    new: Grey,
    motion: Rigid,
    half_px: int,
    capture: float = 1.0,
) -> tuple[Shifts, Shifts]:
    """How far each place's patch stands from where `motion` puts it: (on the court's surface, elsewhere).

    Least squares over displacement, gain and offset of each patch (Lucas BD, Kanade T (1981); gain and offset
    after Hager GD, Belhumeur PN (1998)), so that exposure and even shade do not matter. Of each patch the one
    or two directions are kept that its texture fixes: across an edge, not along it. capture scales how far a
    patch may run from its prediction (a rough first prediction).
    """
    template = _templates(reference, places.uv_px, half_px)
    blank = np.zeros(len(places.uv_px))
    asked = Shifts(
        "", places.uv_px, np.zeros_like(places.uv_px), blank, blank, places.nearness, places.nearness_u, None,
        blank,
    )  # fmt: skip
    start = predicted_uv(camera, motion, asked)
    local = _local_maps(camera, motion, asked, start)
    run, rest, like = _registered(template, new, start, local)
    covariance = _displacement_covariance(template, rest)
    good = (like > _LIKE) & np.isfinite(run).all(axis=1) & (np.linalg.norm(run, axis=1) < _LONGEST_PX * capture)
    values, axes = np.linalg.eigh(np.nan_to_num(covariance, nan=1e6, posinf=1e6))
    found = []
    for on_court, kind in ((True, "court surface"), (False, "background")):
        rows, which = np.nonzero(
            (good & (places.on_court == on_court))[:, None] & (values < (capture * _LARGEST_U_PX) ** 2)
        )
        normal = axes[rows, :, which]
        at = (normal * (start[rows] + run[rows])).sum(axis=1)
        u = np.sqrt(values[rows, which] + _FLOOR_U_PX**2)
        found.append(
            Shifts(
                kind, places.uv_px[rows], normal, at, u, places.nearness[rows], places.nearness_u[rows], None,
                np.full(len(rows), -1.0),
            )
        )  # fmt: skip
    return found[0], found[1]


def _templates(grey: Grey, uv_px: Array, half_px: int) -> _Templates:
    side = np.arange(-half_px, half_px + 1, dtype=float)
    offsets = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    # Scharr's weights add up to 16 on either side of a distance of two pixels
    du, dv = (
        np.asarray(cv2.Scharr(grey.values, cv2.CV_32F, *d, scale=1 / 32), np.float32) for d in ((1, 0), (0, 1))
    )
    at = uv_px[:, None, :] + offsets
    values, by_u, by_v = (sampled_at(picture, at) for picture in (grey.values, du, dv))
    centred = values - values.mean(axis=1, keepdims=True)
    columns = np.stack([by_u, by_v, centred, np.ones_like(centred)], axis=-1)
    normal = columns.transpose(0, 2, 1) @ columns + 1e-6 * np.eye(4)
    return _Templates(values, columns, normal, offsets)


def _local_maps(camera: Camera, motion: Rigid, asked: Shifts, start: Array) -> Array:
    """(N, 2, 2) how a patch turns and stretches under the motion."""
    columns = []
    for step in np.eye(2):
        beside = Shifts(
            "", asked.uv_px + step, asked.normal, asked.at_px, asked.u_px, asked.nearness, asked.nearness_u,
            None, asked.paint,
        )  # fmt: skip
        columns.append(predicted_uv(camera, motion, beside) - start)
    return np.stack(columns, axis=-1)


def _registered(t: _Templates, new: Grey, start: Array, local: Array) -> tuple[Array, Array, Array]:
    """Displacement (N, 2) px from start, residual variance (N,) and correlation (N,) of each patch."""
    run = np.zeros_like(start)
    base = start[:, None, :] + np.einsum("nij,pj->npi", local, t.offsets)
    for _ in range(_ROUNDS):
        sampled = sampled_at(new.values, base + run[:, None, :])
        step = _fit(t, sampled)[:, :2]
        # the template's gradients are taken in the reference; the step is turned into the new picture
        run = run - np.einsum("nij,nj->ni", local, np.clip(step, -2, 2))
        if np.nanmax(np.abs(step), initial=0.0) < 1e-3:
            break
    sampled = sampled_at(new.values, base + run[:, None, :])
    left = sampled - t.values - np.einsum("npk,nk->np", t.columns, _fit(t, sampled))
    freedom = t.values.shape[1] - 4
    deviation = sampled - sampled.mean(axis=1, keepdims=True)
    power = np.sqrt((deviation**2).sum(axis=1) * (t.columns[..., 2] ** 2).sum(axis=1)) + 1e-9
    like = (deviation * t.columns[..., 2]).sum(axis=1) / power
    like = np.where(cut_off(new, base + run[:, None, :]), -1.0, like)
    return run, (left**2).sum(axis=1) / freedom, np.nan_to_num(like, nan=-1.0)


def _fit(t: _Templates, sampled: Array) -> Array:
    """(N, 4) displacement still to undo, gain and offset of each patch."""
    right = np.einsum("npk,np->nk", t.columns, np.nan_to_num(sampled - t.values))
    return np.asarray(np.linalg.solve(t.normal, right[..., None])[..., 0])


def _displacement_covariance(t: _Templates, variance: Array) -> Array:
    """(N, 2, 2) px². Smoothing makes neighbouring samples alike: about 4 π σ² of them count as one."""
    alike = 4 * np.pi * SMOOTHING_PX**2
    return np.asarray(np.linalg.inv(t.normal)[:, :2, :2] * (variance * alike)[:, None, None])
