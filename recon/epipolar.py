"""How far two cameras' points are from agreeing, when their clocks are shifted against each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import CameraTracks
from recon.resample import bridged


@dataclass(frozen=True, slots=True, eq=False)
class RayTrack:
    """One camera's tracks as undistorted normalised coordinates, with their rate of change.

    t_s (T,) camera times; n (T, P, 2); rate (T, P, 2) per second; sigma (T, P) in normalised units.
    """

    camera: Camera
    t_s: Array
    n: Array
    rate: Array
    sigma: Array


def ray_track(camera: Camera, seen: CameraTracks, half_width_s: Array) -> RayTrack:
    """Undistort a camera's tracks once and smooth them over ± half_width_s (P,) per point.

    Rates of raw tracks carry so much pixel noise that an offset fitted with them is off by milliseconds.
    The rate is the derivative of the very curve that `sample` interpolates: the noise of a value and of
    its own derivative are uncorrelated, those of two different fits are not, which biases the offset.
    Frames that were not looked at are bridged.
    """
    seen = bridged(seen)
    focal = float(np.sqrt(camera.K_px[0, 0] * camera.K_px[1, 1]))
    raw, sigma = camera.normalised(seen.uv_px), seen.sigma_px / focal
    n = np.full_like(raw, np.nan)
    for width in np.unique(half_width_s):
        chosen = half_width_s == width
        n[:, chosen] = _local_cubic(seen.t_cam_s, raw[:, chosen], sigma[:, chosen], float(width))
    rate = np.gradient(n, seen.t_cam_s, axis=0)
    return RayTrack(camera, seen.t_cam_s, n, rate, np.where(np.isnan(n[..., 0]), np.nan, sigma))


def _local_cubic(t: Array, n: Array, sigma: Array, half_width_s: float) -> Array:
    """Values (T, P, 2) of a robust cubic fitted around each frame; NaN where too little was seen.

    Source: Cleveland WS (1979), J Am Stat Assoc 74:829-836 (locally weighted, reweighted regression).
    """
    step = float(np.median(np.diff(t)))
    reach = max(2, round(half_width_s / step))
    index = np.arange(len(t))[:, None] + np.arange(-reach, reach + 1)
    inside = (index >= 0) & (index < len(t))
    index = np.clip(index, 0, len(t) - 1)
    u = (t[index] - t[:, None]) / ((reach + 1) * step)
    tricube = np.where(inside, np.maximum(1 - np.abs(u) ** 3, 0.0) ** 3, 0.0)
    powers = u[..., None] ** np.arange(4)  # (T, K, 4)
    moments = (u[..., None] ** np.arange(7)).swapaxes(1, 2)  # of the weights: all that the normal matrix holds
    hankel = np.add.outer(np.arange(4), np.arange(4))
    window = n[index]  # (T, K, P, 2)
    seen = inside[..., None] & ~np.isnan(window[..., 0])
    window = np.where(seen[..., None], window, 0.0)
    spread = np.where(seen, sigma[index], 1.0)
    trust = np.where(seen, 1.0, 0.0)
    shape = window.shape
    for _ in range(3):
        weight = trust * tricube[..., None]
        normal = (moments @ weight)[:, hankel].transpose(0, 3, 1, 2) + 1e-9 * np.eye(4)
        pull = powers.swapaxes(1, 2) @ (weight[..., None] * window).reshape(*shape[:2], -1)
        cubic = np.linalg.solve(normal, pull.reshape(len(t), 4, *shape[2:]).swapaxes(1, 2))  # (T, P, 4, 2)
        fitted = (powers @ cubic.swapaxes(1, 2).reshape(len(t), 4, -1)).reshape(shape)
        miss = np.hypot(*np.moveaxis(window - fitted, 3, 0)) / spread
        trust = np.where(seen, 1 / (1 + (miss / 2) ** 4), 0.0)
    enough = ((trust > 0.2).sum(axis=1) >= 5)[..., None]
    return np.where(enough, cubic[:, :, 0], np.nan)


def sample(track: RayTrack, t_s: Array) -> tuple[Array, Array, Array]:
    """Normalised points (T, P, 2), rates and sigma (T, P) at camera times; NaN outside or in gaps."""
    j = np.clip(np.searchsorted(track.t_s, t_s), 1, len(track.t_s) - 1)
    i = j - 1
    width = track.t_s[j] - track.t_s[i]
    s = (t_s - track.t_s[i]) / width
    outside = (s < -0.01) | (s > 1.01)
    s, w = s[:, None, None], width[:, None, None]
    a, b, va, vb = track.n[i], track.n[j], track.rate[i], track.rate[j]
    n = (
        (1 + 2 * s) * (1 - s) ** 2 * a
        + s * (1 - s) ** 2 * w * va
        + s**2 * (3 - 2 * s) * b
        + s**2 * (s - 1) * w * vb
    )
    rate = 6 * s * (s - 1) * (a - b) / w + (1 - s) * (1 - 3 * s) * va + s * (3 * s - 2) * vb
    n[outside] = np.nan
    return n, rate, np.maximum(track.sigma[i], track.sigma[j])


def essential(a: Camera, b: Camera) -> Array:
    """E (3, 3) with n_bᵀ E n_a = 0 for a point seen by both.

    Source: Longuet-Higgins HC (1981), Nature 293:133-135.
    """
    b_from_a = b.cam_from_world @ a.cam_from_world.inverse()
    x, y, z = b_from_a.t_m
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(cross @ b_from_a.R)


def disagreement(E: Array, na: Array, nb: Array) -> tuple[Array, Array]:
    """Signed epipolar distance (...,) in normalised units, and its derivative with respect to nb (..., 2).

    The denominator is Sampson's first-order one, treated as constant in the derivative.
    """
    ha = np.concatenate([na, np.ones((*na.shape[:-1], 1))], axis=-1)
    hb = np.concatenate([nb, np.ones((*nb.shape[:-1], 1))], axis=-1)
    line_b, line_a = ha @ E.T, hb @ E
    norm = np.sqrt((line_b[..., :2] ** 2).sum(-1) + (line_a[..., :2] ** 2).sum(-1))
    return (hb * line_b).sum(-1) / norm, line_b[..., :2] / norm[..., None]
