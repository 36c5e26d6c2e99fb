"""All cameras in one frame: one joint fit over cameras, lenses, board poses and the board's bow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.board import Board
from calibration.bundle import BoardSeen, BundleSolution
from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.geometry.camera import N_CAMERA, SHIFT, Camera
from calibration.lens import LensCalibration, bow_flags, view_rms
from calibration.provenance import Provenance
from calibration.residuals import Residuals, pattern_flags
from calibration.rig_check import HeldOut, held_out
from calibration.rig_data import RigData, gathered
from calibration.shared import Placement, SharedView
from calibration.start import apart

_BAD_VIEW_RATIO = 4.0  # a board view's rms against the median view's of the same camera and kind
_NOISE_RANGE = (0.2, 5.0)  # how far the noise of a group of views may differ from that of all


@dataclass(frozen=True, slots=True, eq=False)
class RigFit:
    """A calibrated rig, and what the fit leaves over in each camera."""

    rig: CalibratedRig
    residuals: tuple[Residuals, ...]


def calibrate_rig(
    name: str,
    lenses: Sequence[LensCalibration],
    views: Sequence[SharedView],
    placements: Sequence[Placement],
    board: Board,
    provenance: Provenance,
) -> RigFit:
    """The rig in the frame of its first camera.

    Start: pairwise placements chained along the strongest tree. Then one robust least-squares fit of everything
    that was seen of the board, in the lens footage and in the shared footage; a lens that comes without its
    views enters with its covariance. Views that do not fit are left out; those of a camera that are noisier
    than others (far boards) count for less.
    Raises BadInput naming the cameras that no shared board poses join.
    """
    data = gathered(lenses, views, placements, board)
    first = data.solve()
    kept, dropped = _without_outliers(data, first)
    data = data.after(first, _weighed(kept, first, data))
    solution = data.solve()
    _want_joined([lens.camera for lens in lenses], data)
    check = held_out(data, solution)
    covariance = _with_scale(solution.covariance, solution.cameras, board)
    rms = tuple(_rms_of(solution, data, c) for c in range(len(lenses)))
    flags = [f"{lens.camera}: {flag}" for lens in lenses for flag in lens.flags if "bowed" not in flag]
    flags += bow_flags(solution.bow_m, np.sqrt(np.diag(solution.bow_covariance)))
    flags += _fit_flags(dropped, max(rms), check)
    residuals = tuple(_residuals(solution, data, c) for c in range(len(lenses)))
    flags += pattern_flags(residuals)
    n_views = len({s.board for s in data.seen if s.board < data.n_shared})
    rig = CalibratedRig(
        name, "rig", solution.cameras, covariance, provenance, rms, check.px if check else None, n_views,
        tuple(flags), held_out_length_m=check.length_m if check else None,
    )  # fmt: skip
    return RigFit(rig, residuals)


def _fit_flags(dropped: int, worst_rms: float, check: HeldOut | None) -> list[str]:
    flags = []
    if dropped:
        flags.append(f"{dropped} board views did not fit the others and were left out")
    if worst_rms > 1.0:
        flags.append(f"board corners fit the rig to {worst_rms:.2f} px only; up to 1 px is usual")
    if check is not None and check.px > 8 * max(worst_rms, 0.1):
        flags.append(f"board poses left out of the fit are predicted to {check.px:.2f} px only")
    return flags


def _want_joined(names: Sequence[str], data: RigData) -> None:
    """Raises BadInput where the observations that were kept no longer join all cameras."""
    reached = {0}
    while True:
        boards = {s.board for s in data.seen if s.camera in reached}
        more = reached | {s.camera for s in data.seen if s.board in boards}
        if more == reached:
            break
        reached = more
    if len(reached) < len(names):
        raise apart([names[i] for i in sorted(reached)], [n for i, n in enumerate(names) if i not in reached])


def _groups(seen: Sequence[BoardSeen], n_shared: int) -> Array:
    """(V,) camera and kind (lens footage or shared) of each view, as one number."""
    return np.array([2 * s.camera + (s.board < n_shared) for s in seen])


def _without_outliers(data: RigData, solution: BundleSolution) -> tuple[list[BoardSeen], int]:
    rms, group = view_rms(solution), _groups(data.seen, data.n_shared)
    usual = np.array([np.median(rms[group == g]) for g in group])
    good = rms <= _BAD_VIEW_RATIO * np.maximum(usual, np.median(rms) * _NOISE_RANGE[0])
    kept = [s for s, ok in zip(data.seen, good, strict=True) if ok]
    # a shared board pose left with one camera says nothing about the rig
    shared = [s for s in kept if s.board >= data.n_shared or sum(o.board == s.board for o in kept) > 1]
    return shared, int((~good).sum())


def _weighed(seen: Sequence[BoardSeen], solution: BundleSolution, data: RigData) -> list[BoardSeen]:
    """The same views, each with the noise of its camera and kind against that of all."""
    residuals = {(s.camera, s.board): r for s, r in zip(data.seen, solution.residuals_px, strict=True)}
    group = _groups(seen, data.n_shared)
    noise = {}
    for g in np.unique(group):
        own = [
            residuals[s.camera, s.board].ravel() / s.noise for s, o in zip(seen, group, strict=True) if o == g
        ]
        # each view's own pose takes up six of its numbers
        freedom = sum(len(r) for r in own) / max(sum(len(r) - 6 for r in own), 1)
        sigma = 1.4826 * float(np.median(np.abs(np.concatenate(own)))) * np.sqrt(freedom)
        noise[g] = float(np.clip(sigma / max(solution.sigma_px, 1e-9), *_NOISE_RANGE))
    return [replace(s, noise=noise[g] * s.noise) for s, g in zip(seen, group, strict=True)]


def _rms_of(solution: BundleSolution, data: RigData, camera: int) -> float:
    """rms length of one camera's residuals in the shared footage, px."""
    own = [
        r
        for r, s in zip(solution.residuals_px, data.seen, strict=True)
        if s.camera == camera and s.board < data.n_shared
    ]
    return float(np.sqrt(np.mean([(r**2).sum(axis=1).mean() for r in own]))) if own else 0.0


def _residuals(solution: BundleSolution, data: RigData, camera: int) -> Residuals:
    own = [(s.uv_px, r) for s, r in zip(data.seen, solution.residuals_px, strict=True) if s.camera == camera]
    uv, left = np.concatenate([uv for uv, _ in own]), np.concatenate([r for _, r in own])
    return Residuals(solution.cameras[camera].name, solution.cameras[camera].size_px, uv, left)


def _with_scale(covariance: Array, cameras: Sequence[Camera], board: Board) -> Array:
    """Adds the print's common scale error: it stretches every t_m, which the corners cannot tell."""
    stretch = np.zeros(len(covariance))
    for i, camera in enumerate(cameras):
        stretch[N_CAMERA * i : N_CAMERA * (i + 1)][SHIFT] = camera.cam_from_world.t_m
    return covariance + np.outer(stretch, stretch) * (board.square_u_m / board.square_m) ** 2
