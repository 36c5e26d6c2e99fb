"""The racket's pose, from its points and from draws of everything that they may be wrong by."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.motion.racket_shape import BUTT, TIP
from recon.records import EDGES, Motion, PointStatus, RacketPose


def racket_pose(motion: Motion, draws_m: Array) -> RacketPose | None:
    """Place, direction and roll with covariance; None where butt or tip is not followed at all.

    draws_m (D, T, P, 3) of the points' errors, all sources together.
    """
    if not {BUTT, TIP} <= set(motion.keypoints):
        return None
    codes = motion.status[:, [motion.index(BUTT), motion.index(TIP)]]
    status = np.where((codes == PointStatus.OK).all(axis=1), PointStatus.OK, codes.max(axis=1))
    there = np.isfinite(motion.path(BUTT)).all(axis=1) & np.isfinite(motion.path(TIP)).all(axis=1)
    status = np.where(there, status, PointStatus.TOO_FEW_VIEWS).astype(np.int8)
    butt, way = _axis(motion, np.zeros((1, *draws_m.shape[1:])))
    drawn_butt, drawn_way = _axis(motion, draws_m)
    off = np.concatenate([drawn_butt - butt, drawn_way - way], axis=2)
    covariance = np.einsum("dti,dtj->tij", off, off) / len(off)
    normal, u_roll = _normal(motion, draws_m, way[0])
    butt, way, covariance, normal = (
        np.where(there.reshape(-1, *[1] * (a.ndim - 1)), a, np.nan)
        for a in (butt[0], way[0], covariance, normal)
    )
    return RacketPose(motion.frame, motion.t_s, butt, way, covariance, normal, u_roll, status)


def _axis(motion: Motion, draws_m: Array) -> tuple[Array, Array]:
    butt, tip = (motion.path(n) + draws_m[:, :, motion.index(n)] for n in (BUTT, TIP))
    way = tip - butt
    return butt, way / np.linalg.norm(way, axis=2, keepdims=True)


def _normal(motion: Motion, draws_m: Array, way: Array) -> tuple[Array, Array]:
    """The hitting face's normal (T, 3), and the roll's standard uncertainty (T,); NaN without edges."""
    if not set(EDGES) <= set(motion.keypoints):
        return np.full(way.shape, np.nan), np.full(len(way), np.nan)
    one, two = (motion.index(name) for name in EDGES)
    apart = motion.xyz_m[:, one] - motion.xyz_m[:, two]
    across = apart - (apart * way).sum(axis=1, keepdims=True) * way
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    normal = np.cross(way, across)
    drawn = apart + draws_m[:, :, one] - draws_m[:, :, two]
    turned = np.arctan2((drawn * normal).sum(axis=2), (drawn * across).sum(axis=2))
    return normal, np.sqrt((turned**2).mean(axis=0))
