"""From errors to the study's data: joint offsets and how bodies differ, pixel sigmas, noise in time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, nnls

from benchmarks.keypoint_study.doubt import learn_doubt, left_by_others
from benchmarks.keypoint_study.errors import Offsets, Residuals, of_part
from calibration.checks import Array
from recon.detector_study import PARTS, PixelError, ViewErrors

_USUAL_M = 0.03  # a miss of 3 cm weighs half: swaps and gross errors must not set an offset
_RIDGE = 0.004  # of the second frame's axes: where both segments turn alike, the first one gets the offset
_CLIP_SIGMAS = 4.0  # gross errors are the gate's business, not the noise model's
_MOST = (1.0, 24.0, 10.0)  # base, hidden, spread: where nothing is ever hidden, nothing is known of hiding
_LEAST = 0.001  # body sizes: no offset is known better than that, whatever few athletes say
_LAGS_S = 0.6
_SLOW_S = np.linspace(0.04, 0.25, 43)  # slower than that cannot be told from a bias in two seconds
MIDLINE = ("nose",)


def joint_offset(offsets: Sequence[Offsets], residuals: Sequence[Residuals], part: str) -> dict[str, list[Any]]:
    """Mean offset of a part over the athletes, each counting alike, and the covariance a new athlete faces:
    how athletes differ, and how far their offsets wander as they move, where all views see the same.
    """
    rows = list(of_part(offsets, part))
    n = len({r.athlete for r in rows})
    mean = fit_offset(rows, part)
    covariance = common_covariance(residuals, mean, part) * (1 + 1 / n) + _LEAST**2 * np.eye(3)
    return {"first": _rounded(mean[:3]), "second": _rounded(mean[3:]), "covariance": _rounded(covariance, 8)}


def common_covariance(residuals: Sequence[Residuals], mean: Array, part: str) -> Array:
    """(3, 3) covariance, in the first frame, of the departures from the mean offset that all views share.

    The pixels' own errors differ from view to view, so the mean product of two views' errors at one instant is
    J Δ J'ᵀ, J and J' telling how the two move with the offset: least squares for Δ, athletes counting alike.
    """
    normal, right = np.zeros((9, 9)), np.zeros(9)
    points: dict[str, list[Residuals]] = {}
    for r in of_part(residuals, part):
        points.setdefault(r.point, []).append(r)
    for views in points.values():
        length = min(len(v.t_s) for v in views)
        miss = [_held(v.uv[:length] - v.by_offset[:length] @ mean) for v in views]
        for a, b in combinations(range(len(views)), 2):
            J, K = (views[i].by_offset[:length, :, :3] for i in (a, b))
            rows = np.einsum("tik,tjl->tijkl", J, K).reshape(-1, 9)
            product = np.einsum("ti,tj->tij", miss[a], miss[b]).ravel()
            known = np.isfinite(product) & np.isfinite(rows).all(axis=1)
            normal += rows[known].T @ rows[known]
            right += rows[known].T @ product[known]
    found = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(9), right).reshape(3, 3)
    values, vectors = np.linalg.eigh((found + found.T) / 2)
    covariance: Array = vectors * np.maximum(values, 0.0) @ vectors.T
    if part in MIDLINE:  # nothing to the side
        covariance[2], covariance[:, 2] = 0.0, 0.0
    return covariance


def _held(miss: Array) -> Array:
    """Errors (T, 2) held within some times their usual size: swaps are no offset."""
    usual = 1.4826 * np.nanmedian(np.abs(miss)) + 1e-12
    return np.asarray(np.clip(miss, -_CLIP_SIGMAS * usual, _CLIP_SIGMAS * usual))


def fit_offset(rows: Sequence[Offsets], part: str) -> Array:
    """(6,) robust least-squares offset in the two frames; every athlete has the same weight."""
    axes = _axes(part)
    c = np.zeros(len(axes))
    count = {a: sum(len(r.offset) for r in rows if r.athlete == a) for a in {r.athlete for r in rows}}
    for _ in range(8):
        normal, right = np.zeros((len(axes),) * 2), np.zeros(len(axes))
        for r in rows:
            frames = r.frames[:, :, axes]
            weight = _weights(r, r.offset - frames @ c) / count[r.athlete]
            normal += np.einsum("t,tki,tkj->ij", weight, frames, frames)
            right += np.einsum("t,tki,tk->i", weight, frames, r.offset)
        ridge = np.where(axes >= 3, _RIDGE, 1e-6) * len(count)
        c[:] = np.linalg.solve(normal + np.diag(ridge), right)
    out = np.zeros(6)
    out[axes] = c
    return out


def common_offsets(offsets: Sequence[Offsets]) -> dict[str, Array]:
    """Part -> (6,) the offset that all athletes share."""
    return {part: fit_offset(list(of_part(offsets, part)), part) for part in PARTS}


def _axes(part: str) -> NDArray[np.intp]:
    """Columns of the two frames that an offset may use: a point on the midline has no outward."""
    return np.array([0, 1, 3, 4]) if part in MIDLINE else np.arange(6)


def _weights(row: Offsets, miss: Array) -> Array:
    return np.asarray(1 / (1 + (np.linalg.norm(miss, axis=1) * row.scale_m / _USUAL_M) ** 2))


def _own_departure(rows: Sequence[Offsets], mean: Array, part: str) -> Array:
    """(3,) robust mean of one athlete's departure from the common offset, in the first frame."""
    out = np.zeros(3)
    for _ in range(8):
        total, weights = np.zeros(3), 0.0
        for r in rows:
            first = r.frames[:, :, :3]
            miss = r.offset - r.frames @ mean
            weight = _weights(r, miss - first @ out)
            total += np.einsum("t,tki,tk->i", weight, first, miss)
            weights += weight.sum()
        out = total / weights
    if part in MIDLINE:
        out[2] = 0.0
    return out


def without_offset(residuals: Sequence[Residuals], offsets: Sequence[Offsets], part: str) -> list[Array]:
    """(T, 2) errors in each view once the athlete's own mean offset is taken out: what the pixels alone get
    wrong.

    What bodies differ by is the offset's covariance; it must not count twice.
    """
    out = []
    for r in of_part(residuals, part):
        own = _own_offset([o for o in of_part(offsets, part) if o.athlete == r.athlete])
        out.append(r.uv - r.by_offset[:, :, :3] @ own)
    return out


def _own_offset(rows: Sequence[Offsets]) -> Array:
    """(3,) an athlete's own offset in the first frame."""
    return _own_departure(rows, np.zeros(6), "")


def pixel_error(residuals: Sequence[Residuals], offsets: Sequence[Offsets], part: str) -> dict[str, float]:
    """Sigma of a part with its dependence on visibility and spread, and how the error lasts."""
    rows = list(of_part(residuals, part))
    misses = without_offset(residuals, offsets, part)
    miss = np.concatenate(misses)
    seen = np.clip(np.concatenate([r.visibility for r in rows]), 0, 1)
    spread = np.nan_to_num(np.concatenate([r.spread for r in rows]))
    known = np.isfinite(miss).all(axis=1) & np.isfinite(seen)
    base, hidden, gain = _sigma_model(miss[known], seen[known], spread[known])
    growth = (base**2 + (gain * spread) ** 2) * (1 + hidden * (1 - seen) ** 2)
    z = np.clip(miss[known] / np.sqrt(growth[known])[:, None], -_CLIP_SIGMAS, _CLIP_SIGMAS)
    base, gain = base * float(np.sqrt(np.mean(z**2))), gain * float(np.sqrt(np.mean(z**2)))

    def sigma(r: Residuals) -> Array:
        growth = 1 + hidden * (1 - np.clip(r.visibility, 0, 1)) ** 2
        return np.asarray(np.sqrt((base**2 + (gain * np.nan_to_num(r.spread)) ** 2) * growth))

    shares = noise_shares([(r.t_s, m / sigma(r)[:, None]) for r, m in zip(rows, misses, strict=True)])
    return {"base": _short(base), "hidden": round(hidden, 2), "spread": _short(gain), **shares}


def _sigma_model(miss: Array, seen: Array, spread: Array) -> tuple[float, float, float]:
    """base, hidden, spread by maximum likelihood of clipped normal errors."""
    square = (miss**2).mean(axis=1)
    typical = float(np.sqrt(np.median(square)))
    varied = bool(np.any(spread > 0))

    def cost(p: Array) -> float:
        base, hidden, gain = np.minimum(np.exp(p), _MOST)
        variance = (base**2 + (gain * spread) ** 2 * varied) * (1 + hidden * (1 - seen) ** 2)
        z2 = np.minimum(square / variance, _CLIP_SIGMAS**2)
        return float(np.mean(np.log(variance) + z2))

    starts = [np.log([typical, h, g]) for h in (0.3, 5.0) for g in (0.5, 3.0)]
    best = min((minimize(cost, s, method="Nelder-Mead") for s in starts), key=lambda found: found.fun)
    base, hidden, gain = np.minimum(np.exp(best.x), _MOST)
    return float(base), float(hidden), float(gain) if varied else 0.0


def noise_shares(series: Sequence[tuple[Array, Array]]) -> dict[str, float]:
    """Shares white, slow, bias and the slow part's 1/e time, from products of errors some time apart.

    series: times (T,) and errors in sigmas (T, 2). The mean product at a distance is slow × exp(−distance /
    slow_s) + bias; what is white shows in third differences.
    """
    step = float(np.median(np.diff(series[0][0])))
    lags = np.arange(0, round(_LAGS_S / step) + 1)
    total, count = np.zeros(len(lags)), np.zeros(len(lags))
    for _, z in series:
        e = np.clip(z, -_CLIP_SIGMAS, _CLIP_SIGMAS)
        for k in lags:
            product = (e[k:] * e[: len(e) - k]).sum(axis=1)
            total[k] += np.nansum(product) / 2
            count[k] += np.isfinite(product).sum()
    level = total / np.maximum(count, 1)

    white = _jitter_variance(series)
    shapes = [(slow_s, np.exp(-lags[1:] * step / slow_s)) for slow_s in _SLOW_S]
    fits = [(slow_s, *nnls(np.column_stack([e, np.ones_like(e)]), level[1:])) for slow_s, e in shapes]
    slow_s, (slow, bias), _ = min(fits, key=lambda fit: fit[2])
    whole = white + slow + bias
    shares = [round(float(x / whole), 3) for x in (white, slow)]
    return {"white": shares[0], "slow": shares[1], "bias": round(1 - sum(shares), 3), "slow_s": _short(slow_s)}


def _jitter_variance(series: Sequence[tuple[Array, Array]]) -> float:
    """Variance of what is new in every frame, from third differences."""
    jumps = np.concatenate([np.diff(z, n=3, axis=0).ravel() for _, z in series])
    return float((1.4826 * np.nanmedian(np.abs(jumps))) ** 2 / 20)


def left_error(
    residuals: Sequence[Residuals],
    offsets: Sequence[Offsets],
    part: str,
    before: PixelError,
    errors: ViewErrors,
) -> tuple[dict[str, float], Array]:
    """What share of sigma is left without view errors, how that lasts, and in which postures it is larger (M,).

    Whether that follows visibility and spread less than before was tried: in 12 of 14 parts it hardly did.
    """
    rows = list(of_part(residuals, part))
    misses = without_offset(residuals, offsets, part)
    in_sigmas = [m / before.sigma(r.visibility, r.spread)[:, None] for r, m in zip(rows, misses, strict=True)]
    doubt, level = learn_doubt(errors, rows, in_sigmas)
    by_others = left_by_others(errors, rows, in_sigmas)
    in_those = [z / left[:, None] for z, left in zip(in_sigmas, by_others, strict=True)]
    size = _size(in_those)
    shape = noise_shares([(r.t_s, m / size) for r, m in zip(rows, in_those, strict=True)])
    return {"share": _short(_size(in_sigmas)), "by_posture": _short(size * level), **shape}, doubt


def _size(errors: Sequence[Array]) -> float:
    """Root mean square, gross errors, the gate's business, clipped at some times that."""
    z = np.concatenate(errors)
    z = z[np.isfinite(z)]
    size = 1.0
    for _ in range(20):
        size = float(np.sqrt(np.mean(np.clip(z, -_CLIP_SIGMAS * size, _CLIP_SIGMAS * size) ** 2)))
    return size


def left_data(
    offsets: Sequence[Offsets], residuals: Sequence[Residuals], before: Mapping[str, PixelError],
    errors: ViewErrors,
) -> tuple[dict[str, dict[str, Any]], Array]:  # fmt: skip
    """All parts of one mode once the view errors, learned from other athletes, are taken out; and the doubt
    (M, 14) over the postures that the study's own view errors show.
    """
    left = {part: left_error(residuals, offsets, part, before[part], errors) for part in PARTS}
    data: dict[str, dict[str, Any]] = {
        "pixels": {part: found for part, (found, _) in left.items()},
        "joints": {part: joint_offset(offsets, residuals, part) for part in PARTS},
    }
    return data, np.stack([doubt for _, doubt in left.values()], axis=1)


def mode_data(offsets: Sequence[Offsets], residuals: Sequence[Residuals]) -> dict[str, dict[str, Any]]:
    """All parts of one detector mode, in the form of the study's file."""
    return {
        "pixels": {part: pixel_error(residuals, offsets, part) for part in PARTS},
        "joints": {part: joint_offset(offsets, residuals, part) for part in PARTS},
    }


def _short(x: float) -> float:
    return float(f"{x:.3g}")


def _rounded(a: Array, digits: int = 5) -> list[Any]:
    return list(np.round(a, digits).tolist())
