"""The racket as one rigid body: at every instant the most likely straight, stiff one given its points' curves.

The curve of each taped point runs through all instants, those without two views too, only less and less surely.
At every instant the three points are brought onto a line with their distances, as surely as each is known:
a point that is hidden is told by the other two, and an instant without any costs certainty, not the swing.
Positions: an iterated Kalman update without time, which is Gauss-Newton for the most likely rigid racket (Bell
BM, Cathey FW (1993), IEEE Trans Autom Control 38:294-297; from memory); velocities likewise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from calibration.checks import Array
from calibration.errors import BadInput
from recon.motion.fit import MotionSupport
from recon.motion.holding import GIVES_WITHIN_S, MISSED_FRAMES, Held, gain_of
from recon.motion.racket_curves import POINTS, VAGUE, RacketCurves, between
from recon.motion.racket_shape import RacketShape, shape_of
from recon.motion.racket_ties import LengthTie, RigidTies, Ties, apart_of
from recon.records import Motion, PointStatus

_CONTRADICTED2 = 16.0  # of chi-square with three degrees of freedom: one instant in a thousand by chance
_ROUNDS = 12


@dataclass(frozen=True, kw_only=True, slots=True)
class RacketOptions:
    """How far a racket is trusted.

    most_u_m   largest standard uncertainty, in its worst direction, of a point that is still told where two
               cameras did not see it
    inferred   a point counts as inferred where the rest of the racket takes its variance below this share of
               what its own curve leaves; above, its curve runs through
    """

    most_u_m: float = 0.05
    inferred: float = 0.5

    def __post_init__(self) -> None:
        if not (self.most_u_m > 0 and 0 < self.inferred <= 1):
            raise BadInput(f"racket: want most_u_m > 0 and 0 < inferred <= 1, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class RigidRacket:
    """A motion whose racket is rigid, and the shape that was found for it.

    support_px  (T, P, C) of the cameras that carry each sample; of the racket's, measured samples alone
    shape       None where only two of its points could be held to each other, or none
    """

    held: Held
    support_px: Array
    shape: RacketShape | None
    told: tuple[str, ...]


def hold_racket(
    held: Held,
    support: MotionSupport,
    racket_length_m: float | None = None,
    options: RacketOptions | None = None,
    seed: int = 0,
) -> RigidRacket:
    """`held` with the points of its racket rigidly joined, also where two cameras did not see one of them.

    support: of the fit, whose curves and draws hold for all instants. Points that are told without two views
    have the status INFERRED or BRIDGED. What is absent, and why, is told by their uncertainty alone.
    """
    options = options or RacketOptions()
    if not set(POINTS) <= set(held.motion.keypoints):
        return RigidRacket(held, support.sigma_px, None, ())
    curves = RacketCurves(held, support, np.random.default_rng([seed, 11]))
    shape = shape_of(curves.lengths, racket_length_m, len(held.draws_m), curves.rng)
    ties = RigidTies(shape) if shape else _ties_of_two(curves)
    if ties is None:
        return RigidRacket(held, support.sigma_px, None, ())
    tape_m = curves.tape_m(shape) if shape else 0.0
    curves.loosen(tape_m)
    _forget_contradicted(curves, ties)
    solved = _solve(curves, ties)
    motion, draws = _taken_over(held, curves, solved, ties.points, options)
    sentences = [length.sentence() for length in curves.lengths]
    if shape:
        sentences = [f"{shape.sentence()}; tapes off its axis by {1e3 * tape_m:.1f} mm"]
    carried = support.sigma_px.copy()
    for column in curves.columns:
        carried[motion.status[:, column] != PointStatus.OK, column] = np.nan
    held = replace(held, motion=motion, draws_m=draws)
    return RigidRacket(held, carried, shape, (*sentences, *status_told(motion)))


def status_told(motion: Motion) -> list[str]:
    """A sentence per racket point: how much of it was measured, inferred, bridged and absent."""
    out = []
    for name in POINTS:
        codes = motion.status[:, motion.index(name)]
        shares = {
            word: float(np.mean(np.isin(codes, which)))
            for word, which in (
                ("measured", (PointStatus.OK,)),
                ("inferred from the rest of the racket", (PointStatus.INFERRED,)),
                ("bridged", (PointStatus.BRIDGED,)),
            )
        }
        parts = ", ".join(f"{share:.0%} {word}" for word, share in shares.items() if share > 0)
        out.append(f"{name.replace('_', ' ')}: {parts or 'absent throughout'}")
    return out


def _ties_of_two(curves: RacketCurves) -> LengthTie | None:
    if not curves.lengths:
        return None
    surest = min(curves.lengths, key=lambda found: found.u_m)
    i, j = (POINTS.index(name) for name in surest.ends)
    return LengthTie(surest, (i, j))


@dataclass(frozen=True, slots=True, eq=False)
class _Solved:
    x: Array
    v: Array
    Cx: Array
    Cv: Array
    draws: Array


def _solve(curves: RacketCurves, ties: Ties) -> _Solved:
    """The most likely racket of every instant, its covariance and draws."""
    frames = len(curves.t_s)
    start = curves.x.reshape(frames, 9)
    C = curves.covariance(curves.own)
    x, _ = _most_likely(start, C[:, :9, :9], ties)
    grown = _doubt(curves, C[:, :9, :9], ties, x)
    C = C * grown[:, None, None] ** 2
    Cx = C[:, :9, :9]
    x, gain = _most_likely(start, Cx, ties)
    _, H, way = ties.at(x)
    v, Cv = _velocities(curves, ties, x, C)
    kept = float(np.exp(-np.median(np.diff(curves.t_s)) / GIVES_WITHIN_S))
    errors = (curves.draws * grown[:, None, None]).reshape(len(curves.draws), frames, 9)
    wrong = ties.wrong(way, frames, kept, curves.rng) - np.einsum("tmi,dti->dtm", H, errors)
    drawn = errors + np.einsum("tim,dtm->dti", gain, wrong)
    left = Cx - gain @ H @ Cx
    return _Solved(x, v, left, Cv, drawn.reshape(curves.draws.shape))


def _forget_contradicted(curves: RacketCurves, ties: Ties) -> None:
    """Curves of points that were not measured say nothing while measured points contradict them.

    Between measured instants a curve rests on single cameras, which take other spots for a hidden tape; by
    itself it knows no better. Judged where both other points are measured.
    """
    if len(ties.points) < len(POINTS):
        return
    vague = curves.own.copy()
    vague[~curves.measured] = VAGUE
    C = curves.covariance(vague)[:, :9, :9]
    x, gain = _most_likely(curves.x.reshape(-1, 9), C, ties)
    left = C - gain @ ties.at(x)[1] @ C
    for j in ties.points:
        block = slice(3 * j, 3 * j + 3)
        off = curves.x[:, j] - x[:, j]
        both = left[:, block, block] + curves.own[:, j, :3, :3]
        distance2 = np.einsum("ti,ti->t", off, np.linalg.solve(both, off[..., None])[..., 0])
        told = np.delete(curves.measured, j, axis=1).all(axis=1)
        curves.forget(j, between(~curves.measured[:, j], told & (distance2 > _CONTRADICTED2)))


def _most_likely(start: Array, C: Array, ties: Ties) -> tuple[Array, Array]:
    """(T, 3, 3) and the last gain (T, 9, M)."""
    frames = len(start)
    x = start.copy()
    for round_ in range(_ROUNDS):
        missing, H, way = ties.at(x.reshape(frames, 3, 3))
        if round_ == 0 and ties.rows == 4:  # onto a line first: from far away a distance has no direction
            missing, H, R = missing[:, :3], H[:, :3], ties.covariance(way)[:, :3, :3]
        else:
            R = ties.covariance(way)
        gain = gain_of(C, H, R)
        x = start + np.einsum("tim,tm->ti", gain, missing - np.einsum("tmi,ti->tm", H, start - x))
    return x.reshape(frames, 3, 3), gain


def _doubt(curves: RacketCurves, C: Array, ties: Ties, x: Array) -> Array:
    """(T,) by how much the points' errors are larger than their curves say; never below 1.

    What the conditions are missed by, in sigmas and averaged over a few frames, counts beside one that is as
    expected: a shock that the curves were too smooth for is known.
    """
    missing, H, way = ties.at(x)
    miss = missing - np.einsum("tmi,ti->tm", H, (curves.x - x).reshape(len(x), 9))
    S = H @ C @ H.swapaxes(1, 2) + ties.covariance(way)
    distance2 = np.einsum("tm,tm->t", miss, np.linalg.solve(S, miss[..., None])[..., 0])
    around = gaussian_filter1d(distance2, MISSED_FRAMES, mode="nearest")
    return np.asarray(np.sqrt(np.maximum((1 + around) / (1 + ties.rows), 1.0)))


def _velocities(curves: RacketCurves, ties: Ties, x: Array, C: Array) -> tuple[Array, Array]:
    """(T, 3, 3) most likely given places and rates of all conditions, and covariance (T, 9, 9)."""
    frames = len(x)
    missing, Hx, way = ties.at(x)
    start = np.concatenate([curves.x.reshape(frames, 9), curves.v.reshape(frames, 9)], axis=1)
    state = np.concatenate([x.reshape(frames, 9), curves.v.reshape(frames, 9)], axis=1)
    m = ties.rows
    R = np.zeros((frames, 2 * m, 2 * m))
    R[:, :m, :m], R[:, m:, m:] = ties.covariance(way), np.diag(ties.rates() ** 2)
    for _ in range(_ROUNDS // 2):
        v = state[:, 9:]
        H = np.zeros((frames, 2 * m, 18))
        H[:, :m, :9], H[:, m:, 9:] = Hx, Hx
        H[:, 2 * m - 1, :9] = _turning(x, v.reshape(frames, 3, 3), ties.points)
        moves = -np.einsum("tmi,ti->tm", Hx, v)
        miss = np.concatenate([missing, moves], axis=1)
        here = np.concatenate([x.reshape(frames, 9), v], axis=1)
        gain = gain_of(C, H, R)
        state = start + np.einsum("tim,tm->ti", gain, miss - np.einsum("tmi,ti->tm", H, start - here))
    left = (C - gain @ H @ C)[:, 9:, 9:]
    return state[:, 9:].reshape(frames, 3, 3), left


def _turning(x: Array, v: Array, points: tuple[int, ...]) -> Array:
    """(T, 9) gradient in the places of the rate at which the first and the last point part."""
    i, j = points[0], points[-1]
    length, way = apart_of(x[:, j] - x[:, i])
    moving = v[:, j] - v[:, i]
    turn = (moving - way * (way * moving).sum(axis=1, keepdims=True)) / length[:, None]
    H = np.zeros((len(x), 3, 3))
    H[:, i], H[:, j] = -turn, turn
    return H.reshape(len(x), 9)


def _taken_over(
    held: Held, curves: RacketCurves, solved: _Solved, points: Sequence[int], options: RacketOptions
) -> tuple[Motion, Array]:
    """The motion with the racket's points where they are sure enough, and draws with them."""
    motion = held.motion
    xyz, velocity, cov, velocity_cov, status, draws = (
        np.array(a)
        for a in (motion.xyz_m, motion.velocity_m_s, motion.cov_m2, motion.velocity_cov_m2_s2, motion.status,
                  held.draws_m)
    )  # fmt: skip
    for j in points:
        column, block = curves.columns[j], slice(3 * j, 3 * j + 3)
        own = np.trace(curves.own[:, j, :3, :3], axis1=1, axis2=2)
        left = solved.Cx[:, block, block]
        sure = np.linalg.eigvalsh(left)[:, -1] <= options.most_u_m**2
        rest = np.trace(left, axis1=1, axis2=2) < options.inferred * own
        told = np.where(rest, PointStatus.INFERRED, PointStatus.BRIDGED)
        status[:, column] = np.where(
            curves.measured[:, j], PointStatus.OK, np.where(sure, told, PointStatus.TOO_FEW_VIEWS)
        )
        here = status[:, column] != PointStatus.TOO_FEW_VIEWS
        xyz[:, column] = np.where(here[:, None], solved.x[:, j], np.nan)
        velocity[:, column] = np.where(here[:, None], solved.v[:, j], np.nan)
        cov[:, column] = np.where(here[:, None, None], left, np.nan)
        velocity_cov[:, column] = np.where(here[:, None, None], solved.Cv[:, block, block], np.nan)
        draws[:, :, column] = solved.draws[:, :, j]
    held_racket = replace(
        motion, xyz_m=xyz, velocity_m_s=velocity, cov_m2=cov, velocity_cov_m2_s2=velocity_cov, status=status
    )  # fmt: skip
    return held_racket, draws
