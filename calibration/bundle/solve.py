"""Joint least squares over lenses, camera poses, board poses, bow, clocks, court points and known lengths.

Levenberg-Marquardt with analytic derivatives; the board poses are eliminated block by block. Sources: Triggs B
et al. (1999), Bundle adjustment - a modern synthesis, sections 4-6 and 9 (gauge); damping: Nielsen HB (1999),
Damping parameter in Marquardt's method (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from calibration.bundle.kernel import GATED, PLAIN, ROBUST, accumulate
from calibration.bundle.points import GATE_SIGMAS, ROBUST_SIGMAS, add_points
from calibration.bundle.problem import BundleProblem, BundleSolution, Layout
from calibration.bundle.schur import boards_from, eliminate
from calibration.bundle.state import Packed, State, orthonormal, pack
from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.geometry.camera import N_CAMERA, N_LENS, PARAMETERS, POSE, Camera
from calibration.geometry.rigid import Rigid

_FIRST_DAMPING = 1e-4
_ROUGHLY = 0.02  # tolerance while the pixel noise is still being found


@dataclass(frozen=True, kw_only=True, slots=True)
class SolveOptions:
    """How to solve.

    robust     on the way corners weigh less the farther they are off (Cauchy, 3 sigmas), so that wrong ones do
               not pull; in the end those beyond 5 sigmas do not count
    sigma_px   pixel noise; None: estimated from the residuals
    tolerance  a step that lowers the cost by less than this share of it is the last. With ten thousand corners
               1e-8 of the cost moves no unknown by more than a hundredth of its u
    """

    robust: bool = True
    sigma_px: float | None = None
    tolerance: float = 1e-8
    most_steps: int = 60
    most_rounds: int = 10


def solve_bundle(
    problem: BundleProblem, cameras: Sequence[Camera], world_from_board: Sequence[Rigid],
    options: SolveOptions | None = None,
) -> BundleSolution:  # fmt: skip
    """The most likely cameras, board poses and other unknowns, from a start near them.

    The pixel noise is estimated from the residuals so that whatever has an absolute size (lens priors, bow,
    court, lengths) gets its right weight. Answer and covariance count corners within 5 sigma fully and others
    not at all. Raises NotMeasurable where the observations do not fix the answer.
    """
    return _Solver(problem, tuple(cameras), tuple(world_from_board), options or SolveOptions()).solution()


class _Solver:
    """One problem with its working memory."""

    def __init__(
        self,
        problem: BundleProblem,
        cameras: tuple[Camera, ...],
        boards: tuple[Rigid, ...],
        options: SolveOptions,
    ) -> None:
        self.problem, self.cameras, self.boards, self.options = problem, cameras, boards, options
        self.packed: Packed = pack(problem, cameras, len(boards))
        self.layout = Layout(
            len(cameras), problem.n_clocks, 0 if problem.court is None else len(problem.court.xyz_m),
            0 if problem.lengths is None else len(problem.lengths.ends_m),
        )  # fmt: skip
        self.free = self._free()
        self.state = State.of(problem, cameras, boards)
        self.sigma_px = 1.0
        self.steps = 0
        self.damping = _FIRST_DAMPING
        self.points_mode = (
            PLAIN  # court points and bars have a u of their own: a rough start must not lose them
        )
        n_boards, size = len(boards), self.layout.size
        self.inner = self.layout.clocks.stop  # unknowns that board corners depend on
        self.Y, self.y = np.zeros((n_boards, 6, size)), np.zeros((n_boards, 6))
        self.L = np.zeros((n_boards, 6, 6))
        self.board_steps = np.zeros((n_boards, 6))
        self.residual = np.zeros((2, len(self.packed.ids)))
        self.uses_boards = np.zeros(n_boards, dtype=bool)
        self.uses_boards[self.packed.views[:, 1]] = True

    def solution(self) -> BundleSolution:
        """Solves roughly, alternating with the estimate of the pixel noise until that stands; then to the end.

        The last descent gives corners within the gate full weight: ending on Cauchy's sum would cost 3.5 %
        in variance on clean data, which the covariance does not hold.
        """
        options = self.options
        mode, last = (ROBUST, GATED) if options.robust else (PLAIN, PLAIN)
        if options.sigma_px is None:
            self.linearise(self.state, PLAIN)
            self.sigma_px = max(self.robust_sigma(), 0.05)  # a rough start keeps its say until it has improved
            for _ in range(options.most_rounds):
                self.descend(mode, tolerance=_ROUGHLY)
                before, self.sigma_px = self.sigma_px, self.robust_sigma()
                if abs(self.sigma_px / before - 1) < 0.01:
                    break
        else:
            self.sigma_px = options.sigma_px
        points = self.problem.court is not None or self.problem.lengths is not None
        again = options.sigma_px is not None or points  # else the state is at the robust bottom already
        for weights in dict.fromkeys((mode, last) if again else (last,)):
            self.points_mode = weights
            normal = self.descend(weights, _ROUGHLY if weights != last else options.tolerance)
        return self.record(self.covariance(normal), normal.cost)

    def linearise(self, state: State, mode: int) -> _Normal:
        """Normal equations and cost at a state."""
        p, size, n_boards = self.packed, self.layout.size, len(self.boards)
        n = _Normal(
            np.empty((size, size)), np.empty(size), np.empty((n_boards, 6, size)), np.empty((n_boards, 6, 6)),
            np.empty((n_boards, 6)),
        )  # fmt: skip
        limit = ROBUST_SIGMAS if mode == ROBUST else GATE_SIGMAS
        n.cost = accumulate(
            p.board, p.views, p.first, p.ids, p.uv, p.drift, 1 / (self.sigma_px * p.noise), p.models, p.n_terms,
            state.lens, state.Rc, state.tc, state.Rb, state.tb, state.bow, state.clocks, mode, limit**2,
            self.problem.bow_u_m is not None, self.residual, n.Hgg, n.gg, n.Hgb, n.Hbb, n.gb,
        )  # fmt: skip
        self.steps += 1
        if np.isfinite(n.cost):
            n.Hgg += np.tril(n.Hgg, -1).T
            n.cost += self.add_priors(state, n.Hgg, n.gg)
            n.cost += add_points(self.problem, self.cameras, state, self.layout, n.Hgg, n.gg, self.points_mode)
        idle = np.flatnonzero(~self.uses_boards)
        n.Hbb[idle] = np.eye(6)
        return n

    def add_priors(self, state: State, H: Array, g: Array) -> float:
        """Lenses, bow and clocks."""
        cost = 0.0
        for i, prior in enumerate(self.problem.priors):
            s = slice(N_CAMERA * i, N_CAMERA * i + N_LENS)
            off = state.lens[i] - prior.mean
            pull = prior.information @ off
            H[s, s] += prior.information
            g[s] -= pull
            cost += float(off @ pull)
        for where, value, u in (
            (self.layout.bow, state.bow, self.problem.bow_u_m),
            (self.layout.clocks, state.clocks, self.problem.clock_u_s),
        ):
            if u is not None:
                at = np.arange(where.start, where.stop)
                H[at, at] += 1 / u**2
                g[at] -= value / u**2
                cost += float(value @ value) / u**2
        return cost

    def descend(self, mode: int, tolerance: float) -> _Normal:
        """Moves the state to the bottom; gives the equations there and leaves their residuals behind."""
        damping, growth = self.damping, 4.0
        normal = self.linearise(self.state, mode)
        current = True
        for _ in range(self.options.most_steps):
            trial, promised = self.trial(normal, damping)
            ahead = None if trial is None else self.linearise(trial, mode)
            current = ahead is None
            if ahead is None or trial is None or not ahead.cost <= normal.cost:
                if damping > 1e8 or promised < 1e-12 * normal.cost:
                    break
                damping, growth = damping * growth, growth * 2
                continue
            gain = normal.cost - ahead.cost
            self.state, normal, growth, current = trial, ahead, 4.0, True
            damping = max(damping * max(1e-3, 1 - (2 * gain / max(promised, 1e-300) - 1) ** 3), 1e-12)
            if gain < tolerance * normal.cost:
                break
        self.damping = min(damping, _FIRST_DAMPING)
        return normal if current else self.linearise(self.state, mode)

    def trial(self, normal: _Normal, damping: float) -> tuple[State | None, float]:
        """The state after one damped step, and how much the linear model says that the cost falls."""
        step = np.zeros(self.layout.size)
        matrix, right = np.empty_like(normal.Hgg), np.empty_like(normal.gg)
        if not eliminate(
            normal.Hgg, normal.gg, normal.Hgb, normal.Hbb, normal.gb, self.packed.spans, self.packed.n_spans,
            damping, matrix, right, self.Y, self.y, self.L,
        ):  # fmt: skip
            return None, np.inf
        solved = _solved(matrix[np.ix_(self.free, self.free)], right[self.free])
        if solved is None:
            return None, np.inf
        step[self.free] = solved
        boards_from(step, self.packed.spans, self.packed.n_spans, self.Y, self.y, self.L, self.board_steps)
        diagonal = np.einsum("bii->bi", normal.Hbb)
        promised = float(
            step @ (damping * np.diag(normal.Hgg) * step + normal.gg)
            + (self.board_steps * (damping * diagonal * self.board_steps + normal.gb)).sum()
        )
        return self.state.moved(step, self.board_steps, self.layout), promised

    def _free(self) -> NDArray[np.intp]:
        """Which unknowns are solved for."""
        free = np.ones(self.layout.size, dtype=bool)
        for i, camera in enumerate(self.cameras):
            own = free[N_CAMERA * i : N_CAMERA * (i + 1)]
            own[:] = camera.used_parameters()
            if i in self.problem.held_poses:
                own[POSE] = False
        if self.problem.bow_u_m is None:
            free[self.layout.bow] = False
        return np.flatnonzero(free)

    def robust_sigma(self) -> float:
        """Pixel noise from the last residuals and the degrees of freedom left."""
        scaled = self.residual / self.packed.corner_noise
        if not scaled.size:
            return 1.0
        sigma = max(1.4826 * float(np.median(np.abs(scaled))), 1e-6)
        unknowns = len(self.free) + 6 * int(self.uses_boards.sum())
        for _ in range(5):
            kept = scaled[np.abs(scaled) < 4 * sigma]
            sigma = max(float(np.sqrt((kept**2).sum() / max(kept.size - unknowns, 1))), 1e-6)
        return sigma

    def covariance(self, normal: _Normal) -> Array:
        """(G, G), zero where nothing was solved for."""
        matrix, right = np.empty_like(normal.Hgg), np.empty_like(normal.gg)
        fixed = eliminate(
            normal.Hgg, normal.gg, normal.Hgb, normal.Hbb, normal.gb, self.packed.spans, self.packed.n_spans,
            0.0, matrix, right, self.Y, self.y, self.L,
        )  # fmt: skip
        if not fixed:
            raise NotMeasurable(
                "a board view contradicts the others or does not fix its board's pose; record more views, each "
                "with most of the board in the picture, tilted differently"
            )
        matrix = matrix[np.ix_(self.free, self.free)]
        matrix = np.tril(matrix) + np.tril(matrix, -1).T
        d = 1 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
        values, vectors = np.linalg.eigh(matrix * d * d[:, None])
        if values[0] < 1e-13 * values[-1]:
            raise NotMeasurable(self._weakest(int(self.free[int(np.abs(vectors[:, 0]).argmax())])))
        inverse = (vectors / values) @ vectors.T * d * d[:, None]
        out = np.zeros((self.layout.size,) * 2)
        out[np.ix_(self.free, self.free)] = (inverse + inverse.T) / 2
        return out

    def _weakest(self, unknown: int) -> str:
        camera, parameter = divmod(unknown, N_CAMERA)
        if camera >= len(self.cameras):
            return "the observations do not fix the court's place, the bow or a clock; record more views"
        own = self.cameras[camera]
        name = PARAMETERS[parameter]
        if 4 <= parameter < N_LENS:
            name = own.lens_model.terms[parameter - 4]
        return f"camera {own.name}: the views do not fix {name}; record more views, tilted differently"

    def record(self, joint: Array, cost: float) -> BundleSolution:
        """The answer in records."""
        n, first = N_CAMERA * len(self.cameras), self.packed.first
        residuals = tuple(np.array(self.residual[:, a:b].T) for a, b in pairwise(first))
        boards = list(self.boards)
        used = np.flatnonzero(self.uses_boards)
        if len(used):
            frames = boards[used[0]].dst, boards[used[0]].src
            poses = Rigid.many(orthonormal(self.state.Rb[used]), self.state.tb[used], *frames)
            for b, pose in zip(used, poses, strict=True):
                boards[b] = pose
        layout = self.layout
        return BundleSolution(
            tuple(self.state.camera(i, like) for i, like in enumerate(self.cameras)), tuple(boards),
            joint[:n, :n], self.sigma_px, residuals, self.state.bow, joint[layout.bow, layout.bow],
            self.state.clocks,
            np.sqrt(np.diag(joint)[layout.clocks]), self.state.court() if layout.n_points else None, joint,
            layout, cost, self.steps,
        )  # fmt: skip


@dataclass(slots=True, eq=False)
class _Normal:
    """Normal equations: Hgg (G, G), gg (G,), Hgb (B, 6, G), Hbb (B, 6, 6), gb (B, 6)."""

    Hgg: Array
    gg: Array
    Hgb: Array
    Hbb: Array
    gb: Array
    cost: float = np.inf


def _solved(matrix: Array, right: Array) -> Array | None:
    """Solves a symmetric system (lower triangle given) whose unknowns have very different units; None if it is
    not positive definite."""
    diagonal = np.diag(matrix)
    if diagonal.min(initial=1.0) <= 0:
        return None
    d = 1 / np.sqrt(diagonal)
    try:
        factor = cho_factor(matrix * d * d[:, None], lower=True, check_finite=False)
    except LinAlgError:
        return None
    return np.asarray(d * cho_solve(factor, d * right, check_finite=False))
