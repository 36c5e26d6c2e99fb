"""The fit behind every placing of cameras by court points: clicks against cameras, place and painted points.

One Gauss-Newton loop serves two questions. Cameras that are already tied to each other (poses_free False) are
placed in the court as one body; cameras of which only the lenses are known (poses_free True) are placed one by
one, and are tied by the painted points that they share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.bundle import moved, nudged
from calibration.checks import Array
from calibration.court.clicks import Click
from calibration.court.model import court_point
from calibration.errors import BadInput
from calibration.geometry.camera import N_CAMERA, POSE, Camera
from calibration.geometry.rigid import Rigid

_STEPS = 60
_ROBUST_SIGMAS = 3.0
_GATE_SIGMAS = 6.0  # clicks farther off do not count in the end


class FreeToMove(BadInput):
    """What is seen of the court does not fix the rig's place in it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class CourtOptions:
    """Standard uncertainties that the fit goes by.

    click_u_px  of a click along each image axis: half a pixel to one pixel in a magnified picture
    paint_u_m   of a painted point against the rules' measure, along x and along y. Lines are commonly laid to
                within 5 mm; spread evenly that is 5 mm / sqrt 3
    line_share  how much of that variance all points of one line have in common: a line laid 3 mm too far back
                is so at both of its ends. Half, for want of published surveys; 0 takes all points as
                independent
    """

    click_u_px: float = 0.7
    paint_u_m: float = 0.003
    line_share: float = 0.5

    def __post_init__(self) -> None:
        if not 0 < self.click_u_px < 50:
            raise BadInput(f"click_u_px: want above 0 and below 50, got {self.click_u_px}")
        if not 0 <= self.paint_u_m < 0.1:
            raise BadInput(f"paint_u_m: want 0 to 0.1 m, got {self.paint_u_m}")
        if not 0 <= self.line_share <= 1:
            raise BadInput(f"line_share: want 0 to 1, got {self.line_share}")


def point_root_m(names: Sequence[str], options: CourtOptions) -> Array:
    """L (P, 3, Q): the named points lie L w off their places, w (Q,) independent and of unit variance.

    Painted points: a part of their own along x and y, and one that all points of the same line share. Points of
    the net: their own uncertainty. Every camera sees the same displaced points, which ties the cameras' errors.
    """
    points = [court_point(n) for n in names]
    lines = sorted({(axis, p.xyz_m[axis]) for p in points if p.painted for axis in (0, 1)})
    own = options.paint_u_m * np.sqrt(1 - options.line_share)
    common = options.paint_u_m * np.sqrt(options.line_share)
    out = np.zeros((len(points), 3, 3 * len(points) + len(lines)))
    for i, p in enumerate(points):
        out[i, :, 3 * i : 3 * i + 3] = np.diag(p.own_u_m or (own, own, 0.0))
        if p.painted:
            for axis in (0, 1):
                out[i, axis, 3 * len(points) + lines.index((axis, p.xyz_m[axis]))] = common
    return np.asarray(out[:, :, np.abs(out).max(axis=(0, 1)) > 0])


@dataclass(frozen=True, slots=True, eq=False)
class CourtProblem:
    """What does not change while fitting.

    cameras     as known before the clicks; where poses are free, their poses are a start only
    root        (18 N, R) how the cameras may be off: parameters + root z, with z of unit normal prior
    poses_free  whether each camera's pose is unknown, or all hold together and the court's place is unknown
    place       of the court in the cameras' frame: a start, or held where poses are free
    """

    cameras: tuple[Camera, ...]
    root: Array
    clicks: tuple[Click, ...]
    options: CourtOptions
    poses_free: bool
    place: Rigid

    @property
    def n_free(self) -> int:
        """Unknowns without a prior: six per camera pose, or six of the court's place."""
        return 6 * len(self.cameras) if self.poses_free else 6


@dataclass(frozen=True, slots=True, eq=False)
class CourtFit:
    """What a fit leaves behind.

    place, cameras  the estimate
    covariance    of (camera steps 18 N, court step 6); no court step where the poses were free
    residuals_px  (C, 2) clicked minus predicted
    chi2          residuals and departures from the priors, squared in sigmas, over the clicks that count
    freedom       how many independent squares that is: two per click that counts, less the free unknowns
    jacobian, weight, normal, click_u_px  the last linear step: (2 C, U) in click sigmas, (C,), (U, U)
    """

    place: Rigid
    cameras: tuple[Camera, ...]
    covariance: Array
    residuals_px: Array
    chi2: float
    freedom: int
    jacobian: Array
    weight: Array
    normal: Array
    click_u_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """bases: the cameras with their lens as known before and their pose as found so far."""

    bases: tuple[Camera, ...]
    place: Rigid
    z: Array
    points: Array

    def cameras(self, root: Array) -> tuple[Camera, ...]:
        step = (root @ self.z).reshape(-1, N_CAMERA)
        return tuple(moved(c, s) for c, s in zip(self.bases, step, strict=True))


def root_of(covariance: Array) -> Array:
    """L (n, R) with L Lᵀ = covariance; directions without variance (the gauge) are left out."""
    d = np.sqrt(np.diag(covariance))
    live = np.flatnonzero(d > 0)
    values, vectors = np.linalg.eigh(covariance[np.ix_(live, live)] / np.outer(d[live], d[live]))
    keep = values > 1e-12 * values.max(initial=0.0)
    out = np.zeros((len(d), int(keep.sum())))
    out[live] = d[live, None] * vectors[:, keep] * np.sqrt(values[keep])
    return out


def fit_court(problem: CourtProblem) -> CourtFit:
    """The most likely cameras, place and points.

    Robust (Cauchy) until it stands still, so that a wrong click cannot lead it astray; then plain least squares
    over the clicks within 6 sigma, which is maximum likelihood for them and what the covariance describes.
    Raises BadInput where the clicks leave something free to move.
    """
    names = sorted({c.point for c in problem.clicks})
    points_root = point_root_m(names, problem.options)
    n_z, n_free, n_points = problem.root.shape[1], problem.n_free, points_root.shape[2]
    prior = np.concatenate([np.ones(n_z), np.zeros(n_free), np.ones(n_points)])
    state = _State(problem.cameras, problem.place, np.zeros(n_z), np.zeros(n_points))
    r, jacobian = _linearised(problem, state, names, points_root)
    width, settled = np.inf, False
    for _ in range(_STEPS):
        z2 = (r.reshape(-1, 2) ** 2).sum(axis=1)
        # a rough start keeps its say: the robust width shrinks with the residuals to its final size
        width = max(_ROBUST_SIGMAS, min(width, 3 * float(np.median(np.sqrt(z2)))))
        weight = (z2 < _GATE_SIGMAS**2).astype(float) if settled else 1 / (1 + z2 / width**2)
        w = np.repeat(weight, 2)
        unknown = np.concatenate([state.z, np.zeros(n_free), state.points])
        normal = jacobian.T @ (jacobian * w[:, None]) + np.diag(prior)
        step = solve_scaled(normal, jacobian.T @ (w * r) - prior * unknown)
        state = _stepped(problem, state, step)
        r, jacobian = _linearised(problem, state, names, points_root)
        if np.abs(step).max() < (1e-8 if settled else 1e-3):
            if settled:
                break
            settled = True
    z2 = (r.reshape(-1, 2) ** 2).sum(axis=1)
    weight = (z2 < _GATE_SIGMAS**2).astype(float)
    normal = jacobian.T @ (jacobian * np.repeat(weight, 2)[:, None]) + np.diag(prior)
    covariance = _covariance(problem, inverse_scaled(normal))
    chi2 = float(z2 @ weight + state.z @ state.z + state.points @ state.points)
    return CourtFit(
        state.place, state.cameras(problem.root), covariance, r.reshape(-1, 2) * problem.options.click_u_px,
        chi2, 2 * int(weight.sum()) - n_free, jacobian, weight, normal, problem.options.click_u_px,
    )  # fmt: skip


def _stepped(problem: CourtProblem, state: _State, step: Array) -> _State:
    n_z, n_free = problem.root.shape[1], problem.n_free
    free, bases, place = step[n_z : n_z + n_free], state.bases, state.place
    if problem.poses_free:
        bases = tuple(
            c.placed(nudged(c.cam_from_world, s)) for c, s in zip(bases, free.reshape(-1, 6), strict=True)
        )
    else:
        place = nudged(place, free)
    z = state.z + step[:n_z]
    # a focal length that a rough step would turn negative is only halved
    while any((c.lens_vector() + d)[:2].min() <= 0 for c, d in _lens_steps(problem, bases, z)):
        z = z / 2
    return _State(bases, place, z, state.points + step[n_z + n_free :])


def _lens_steps(problem: CourtProblem, bases: Sequence[Camera], z: Array) -> list[tuple[Camera, Array]]:
    step = (problem.root @ z).reshape(-1, N_CAMERA)[:, : POSE.start]
    return list(zip(bases, step, strict=True))


def _linearised(
    problem: CourtProblem, state: _State, names: Sequence[str], points_root: Array
) -> tuple[Array, Array]:
    """Residuals (2 C,) in click sigmas, and the derivative of the prediction by (z, free, points)."""
    root, clicks, place = problem.root, problem.clicks, state.place
    n_z, n_free = root.shape[1], problem.n_free
    x_court = np.array([court_point(n).xyz_m for n in names]) + points_root @ state.points
    r = np.zeros((len(clicks), 2))
    jacobian = np.zeros((len(clicks), 2, n_z + n_free + points_root.shape[2]))
    for i, camera in enumerate(state.cameras(root)):
        at = np.array([k for k, c in enumerate(clicks) if c.camera == camera.name], dtype=int)
        if not len(at):
            continue
        which = [names.index(clicks[k].point) for k in at]
        turned = place.rotate(x_court[which])
        uv, by_point, by_camera = camera.project_all(turned + place.t_m)
        r[at] = np.array([clicks[k].uv_px for k in at]) - uv
        jacobian[at, :, :n_z] = by_camera @ root[N_CAMERA * i : N_CAMERA * (i + 1)]
        if problem.poses_free:
            jacobian[at, :, n_z + 6 * i : n_z + 6 * i + 6] = by_camera[..., POSE]
        else:
            jacobian[at, :, n_z : n_z + 3] = by_point @ turning(turned)
            jacobian[at, :, n_z + 3 : n_z + 6] = by_point
        jacobian[at, :, n_z + n_free :] = by_point @ place.R @ points_root[which]
    behind = ~np.isfinite(r)
    r[behind], jacobian[behind] = 1e4, 0.0
    u = problem.options.click_u_px
    return r.reshape(-1) / u, jacobian.reshape(2 * len(clicks), -1) / u


def turning(v: Array) -> Array:
    """(..., 3, 3) derivative of exp(r) v by r at r = 0, for v (..., 3)."""
    return np.asarray(np.swapaxes(np.cross(np.eye(3), v[..., None, :]), -1, -2))


def _covariance(problem: CourtProblem, unknowns: Array) -> Array:
    """Of (camera steps, court step) from that of the unknowns."""
    root, n_z = problem.root, problem.root.shape[1]
    n_cameras = len(root)
    if problem.poses_free:
        expand = np.zeros((n_cameras, n_z + problem.n_free))
        rows = [N_CAMERA * i + k for i in range(len(problem.cameras)) for k in range(POSE.start, POSE.stop)]
        expand[rows, range(n_z, n_z + problem.n_free)] = 1.0
    else:
        expand = np.zeros((n_cameras + 6, n_z + 6))
        expand[n_cameras:, n_z:] = np.eye(6)
    expand[:n_cameras, :n_z] += root
    core = unknowns[: expand.shape[1], : expand.shape[1]]
    return np.asarray(expand @ core @ expand.T)


def solve_scaled(normal: Array, right: Array) -> Array:
    """normal⁻¹ right for unknowns of very different size."""
    d = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * np.outer(d, d) + 1e-12 * np.eye(len(d))
    return np.asarray(d * np.linalg.solve(scaled, right * d))


def inverse_scaled(normal: Array) -> Array:
    """normal⁻¹ for unknowns of very different size. Raises FreeToMove where it is singular."""
    d = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    scaled = normal * np.outer(d, d)
    values, vectors = np.linalg.eigh(scaled)
    if values[0] < 1e-12 * values[-1]:
        raise FreeToMove(
            "court clicks: they leave the rig free to move; click more points, spread over the court"
        )
    return np.asarray((vectors / values) @ vectors.T * np.outer(d, d))
