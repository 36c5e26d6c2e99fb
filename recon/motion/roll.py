"""The racket's turn about its long axis and both edges of its head, from edge tape in single pictures.

The axis is known, so a patch in one picture tells the turn up to which side it is; continuity tells the sides.
All patches of all cameras at their own times, the turn at every instant, the head's place and its width are one
least-squares problem (Gauss-Newton), the turn being held together by how fast turning changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.geometry import Camera
from recon.motion.bordered import Bordered
from recon.motion.racket_shape import BUTT, TIP, RacketShape
from recon.motion.roll_search import Axis, Sightings, axis_of, projected, rough_roll, sightings
from recon.records import EDGES, Clocks, Motion, PointStatus, Tracks2D

_CENTRE_SHARE, _CENTRE_SD_M = 0.52, 0.03  # widest point of the head, from throat to tip; heads differ
_HALF_M, _HALF_SD_M = 0.125, 0.02  # half its width: heads are 23 to 27 cm wide (common practice)
_TAPE_M = 0.004  # tape lies around a frame of some thickness: its visible middle is not the frame's
_TURNING_RAD_S2 = 1500.0  # how fast a racket's turning changes in a serve, standard deviation
_ANY_RAD = 100.0  # where nothing tells the turn
_GATE2, _MEDIAN2 = 16.0, 1.386
_ROUNDS = 12
_LEAST_PATCHES = 20
_MOST_U_RAD = 0.4  # 5 cm at the head's edge


@dataclass(frozen=True, slots=True, eq=False)
class EdgedRacket:
    """A motion with both edges of the racket's head as its last points, and draws and support with them.

    told  a sentence for a run's record
    """

    motion: Motion
    draws_m: Array
    support_px: Array
    told: str


def without_edges(tracks: Tracks2D) -> tuple[Tracks2D, Tracks2D | None]:
    """Tracks of all points but the head's edges, and the whole tracks where they hold edges at all."""
    if not set(EDGES) & set(tracks.keypoints):
        return tracks, None
    kept = [p for p, name in enumerate(tracks.keypoints) if name not in EDGES]
    cameras = tuple(replace(c, uv_px=c.uv_px[:, kept], sigma_px=c.sigma_px[:, kept]) for c in tracks.cameras)
    names, noise = tuple(tracks.keypoints[p] for p in kept), tuple(tracks.noise[p] for p in kept)
    return Tracks2D(names, cameras, tracks.source, noise), tracks


def add_edges(
    cameras: Sequence[Camera],
    edges: Tracks2D,
    clocks: Clocks,
    motion: Motion,
    draws_m: Array,
    support_px: Array,
    shape: RacketShape | None,
    seed: int = 0,
) -> EdgedRacket | str:
    """The motion with head edges, or why there are none: too little seen of them, or of the axis.

    draws_m (D, T, P, 3) of the pixels' error and support_px (T, P, C), as for the motion. The first edge is the
    one on the right of a face that hits, seen from behind it with the tip up.
    """
    if shape is None:
        return "head edges not used: they need tip, throat and butt in places of their own"
    axis = axis_of(motion.path(BUTT), motion.path(TIP))
    seen = sightings(cameras, edges, clocks, motion, axis)
    if len(seen) < _LEAST_PATCHES:
        return f"head edges not used: seen in {len(seen)} places only, want {_LEAST_PATCHES}"
    rng = np.random.default_rng([seed, 13])
    solved = _Problem(cameras, seen, motion, axis, shape, len(draws_m), rng).solve()
    solved = solved.facing(_faces_back(motion, axis, solved))
    return _with(motion, draws_m, support_px, axis, seen, solved)


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    """roll_rad (T,), the head's centre and half width, draws of all their errors (D, T + 2), and per patch
    whether it counts and for which edge (M,), +1 the first."""

    roll_rad: Array
    centre_m: float
    half_m: float
    off: Array
    used: NDArray[np.bool_]
    side: Array

    @property
    def u_rad(self) -> Array:
        """(T,) standard uncertainty of the roll."""
        return np.asarray(self.off[:, :-2].std(axis=0))

    def facing(self, back: bool) -> _Solved:
        """The same, half a turn on where it faces back."""
        return replace(self, roll_rad=self.roll_rad + np.pi, side=-self.side) if back else self


class _Problem:
    """Least squares over (roll at every instant, centre, half width)."""

    def __init__(
        self, cameras: Sequence[Camera], seen: Sightings, motion: Motion, axis: Axis, shape: RacketShape,
        draws: int, rng: np.random.Generator,
    ) -> None:  # fmt: skip
        self.cameras, self.seen, self.frames = cameras, seen, len(motion.t_s)
        self.draws, self.rng = draws, rng
        self.parts = np.stack([1 - seen.share, seen.share], axis=1)
        self.start = (shape.butt_throat_m + _CENTRE_SHARE * shape.throat_tip_m, _HALF_M)
        self.roll = rough_roll(cameras, seen, motion.t_s, *self.start)
        step = float(np.median(np.diff(motion.t_s)))
        self.prior = Bordered.smooth(
            self.frames, _TURNING_RAD_S2 * step**2, _ANY_RAD, np.array([_CENTRE_SD_M, _HALF_SD_M])
        )
        of_tip = np.trace(motion.cov_m2[:, motion.index(TIP)], axis1=1, axis2=2) / 3
        self.axis_var = np.nan_to_num(of_tip[seen.before]) + _TAPE_M**2

    def solve(self) -> _Solved:
        """Gauss-Newton; patches far off count for nothing, and errors larger than stated make all less sure."""
        state, before = np.concatenate([self.roll, self.start]), np.concatenate([0 * self.roll, self.start])
        larger2 = 1.0
        for round_ in range(_ROUNDS):
            residual, J, variance, side = self._patches(state)
            distance2 = (residual**2).sum(axis=1) / variance
            gate2 = _GATE2 * (4.0 if round_ < _ROUNDS // 2 else 1.0)
            used = np.isfinite(distance2) & (distance2 < gate2 * larger2)
            larger2 = max(float(np.median(distance2[used])) / _MEDIAN2, 1.0) if used.any() else 1.0
            weight = np.where(used, 1 / (variance * larger2), 0.0)
            D = np.concatenate([J[:, :, :1] * self.parts[:, None], J[:, :, 1:]], axis=2)
            information = self.prior.plus(self.seen.before, D, weight)
            g = self._pulled(D, np.nan_to_num(residual), weight) + self.prior.times(before - state)
            state = state + information.solve(g)
        off = information.draws(self.draws, self.rng)
        return _Solved(state[:-2], float(state[-2]), float(state[-1]), off, used, side)

    def _patches(self, state: Array) -> tuple[Array, Array, Array, Array]:
        """Residuals (M, 2), derivatives (M, 2, 3) in roll, centre and half width, variances and sides (M,)."""
        seen, axis = self.seen, self.seen.axis
        roll = (1 - seen.share) * state[seen.before] + seen.share * state[seen.before + 1]
        across, middle = axis.across(roll), axis.butt_m + state[-2] * axis.way
        both = np.stack([middle + s * state[-1] * across for s in (1, -1)], axis=1)
        uv, J = projected(self.cameras, seen.camera, both)
        miss = seen.uv_px[:, None] - uv
        nearer = np.nan_to_num((miss**2).sum(axis=2), nan=np.inf).argmin(axis=1)
        rows, side = np.arange(len(seen)), np.where(nearer == 0, 1.0, -1.0)
        J = J[rows, nearer]
        turning = side[:, None] * state[-1] * axis.across(roll + np.pi / 2)
        moves = np.stack([turning, axis.way, side[:, None] * across], axis=2)
        variance = seen.sigma_px**2 + self.axis_var * (J**2).sum(axis=(1, 2)) / 2
        return miss[rows, nearer], np.asarray(J @ moves), np.asarray(variance), side

    def _pulled(self, D: Array, residual: Array, weight: Array) -> Array:
        """(T + 2,) what the residuals say: a patch touches the instants around it, centre and width."""
        by_patch = np.einsum("m,mai,ma->mi", weight, D, residual)
        out = np.zeros(self.frames + 2)
        np.add.at(out, self.seen.before, by_patch[:, 0])
        np.add.at(out, self.seen.before + 1, by_patch[:, 1])
        out[-2:] = by_patch[:, 2:].sum(axis=0)
        return out


def _faces_back(motion: Motion, axis: Axis, solved: _Solved) -> bool:
    """Whether the face's normal points against the tip's way when that is fastest: then it is the other's."""
    velocity = motion.velocity_m_s[:, motion.index(TIP)]
    normal = np.cross(axis.way, axis.across(solved.roll_rad))
    told = np.isfinite(normal).all(axis=1) & (solved.u_rad < _MOST_U_RAD)
    if not told.any():
        return False
    speed = np.where(told, np.linalg.norm(np.nan_to_num(velocity), axis=1), -1.0)
    fastest = int(speed.argmax())
    return bool(normal[fastest] @ velocity[fastest] < 0)


def _with(
    motion: Motion, draws_m: Array, support_px: Array, axis: Axis, seen: Sightings, solved: _Solved
) -> EdgedRacket:  # fmt: skip
    reach = solved.half_m * axis.across(solved.roll_rad)
    middle = axis.butt_m + solved.centre_m * axis.way
    xyz = np.stack([middle + reach, middle - reach], axis=1)
    support = _seen_by(seen, solved, motion.t_s, support_px.shape[2])
    told = np.isfinite(xyz).all(axis=2) & (solved.u_rad < _MOST_U_RAD)[:, None]
    two = (~np.isnan(support)).sum(axis=2) >= 2
    status = np.where(~told, PointStatus.TOO_FEW_VIEWS, np.where(two, PointStatus.OK, PointStatus.INFERRED))
    errors = np.where(told[..., None], _drawn(motion, draws_m, axis, solved) - xyz, np.nan)
    velocity = np.gradient(xyz, motion.t_s, axis=0)
    sound = told & np.isfinite(velocity).all(axis=2)
    status = np.where(sound, status, PointStatus.TOO_FEW_VIEWS).astype(np.int8)
    support[status != PointStatus.OK] = np.nan
    xyz, velocity = (np.where(sound[..., None], a, np.nan) for a in (xyz, velocity))
    cov = np.where(sound[..., None, None], np.einsum("dtpi,dtpj->tpij", errors, errors) / len(errors), np.nan)
    rate = np.gradient(errors, motion.t_s, axis=1)
    rate_cov = np.where(sound[..., None, None], np.einsum("dtpi,dtpj->tpij", rate, rate) / len(rate), np.nan)
    edged = Motion(
        motion.frame, (*motion.keypoints, *EDGES), motion.t_s,
        *(np.concatenate(pair, axis=1) for pair in (
            (motion.xyz_m, xyz), (motion.velocity_m_s, velocity), (motion.cov_m2, cov),
            (motion.status, status), (np.asarray(motion.velocity_cov_m2_s2), rate_cov),
        )),
    )  # fmt: skip
    sentence = (
        f"turn of the racket's head known for {np.mean(sound.all(axis=1)):.0%} of the clip from "
        f"{solved.used.sum()} patches of edge tape, {len(seen) - solved.used.sum()} left out; half of the time "
        f"to u {np.degrees(np.median(solved.u_rad)):.1f}° or better; edges {2e3 * solved.half_m:.0f} mm apart"
    )
    return EdgedRacket(
        edged,
        np.concatenate([draws_m, errors], axis=2),
        np.concatenate([support_px, support], axis=1),
        sentence,
    )


def _seen_by(seen: Sightings, solved: _Solved, t_s: Array, cameras: int) -> Array:
    """(T, 2, C) sigma of each edge in the cameras that saw it at an instant, NaN where one did not."""
    out = np.full((len(t_s), len(EDGES), cameras), np.nan)
    nearest = seen.before + (seen.share > 0.5)
    for m in np.flatnonzero(solved.used):
        out[nearest[m], 0 if solved.side[m] > 0 else 1, seen.camera[m]] = seen.sigma_px[m]
    return out


def _drawn(motion: Motion, draws_m: Array, axis: Axis, solved: _Solved) -> Array:
    """(D, T, 2, 3) edges of draws of the axis, the roll and the head's size."""
    butt, tip = (motion.index(name) for name in (BUTT, TIP))
    count, off = len(draws_m), solved.off
    moved = axis_of(
        motion.xyz_m[:, butt] + draws_m[:, :, butt], motion.xyz_m[:, tip] + draws_m[:, :, tip],
        np.broadcast_to(axis.first, (count, *axis.first.shape)),
    )  # fmt: skip
    reach = (solved.half_m + off[:, -1])[:, None, None] * moved.across(solved.roll_rad + off[:, :-2])
    middle = moved.butt_m + (solved.centre_m + off[:, -2])[:, None, None] * moved.way
    return np.stack([middle + reach, middle - reach], axis=2)
