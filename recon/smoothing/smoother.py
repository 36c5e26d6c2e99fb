"""One point's most likely motion given all its pixels, its covariance, and draws of its error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from calibration.checks import Array
from calibration.geometry import Camera
from recon.records import NoiseShape
from recon.smoothing.constants_kernel import information
from recon.smoothing.events import PointEvents
from recon.smoothing.kernel import KINEMATIC, backwards, forwards
from recon.smoothing.leaps import Leaps
from recon.smoothing.posterior import START_SD, ErrorSizes, Passes, PointPosterior

_INTENSITIES = 10.0 ** np.arange(0.5, 9.0, 1.5)  # m²/s⁵: a hand at rest to a racket at contact
_LEAST_WHITE_PX = 0.05  # no point is found better than this, whatever is stated
_CAUCHY2 = 9.0
_ANYWHERE_PX = 15.0  # where the others know a point no better than this, a pixel that agrees with none is wrong
_MEDIAN2 = 1.386  # median of chi-square with two degrees of freedom


@dataclass(frozen=True, kw_only=True, slots=True)
class SmootherOptions:
    """How one point is fitted.

    gate2          squared distance in sigmas from what all other observations say, beyond which one is left
                   out: 16 leaves out one good one in 3,000
    agreed_factor  times that where the cameras agree among themselves against the curve: then the curve is
                   wrong, as at a racket's contact before its smoothness has adapted
    frames         standard width of the window over which smoothness adapts
    wide_frames    the same of the surroundings that it is held near to
    held_by        how firmly, in degrees of freedom
    q_unsure       how well smoothness so found is known: standard deviation of the intensity's logarithm
    judge_rounds   how often it adapts while observations are judged
    adapt_rounds   and how often once they are
    """

    gate2: float = 16.0
    agreed_factor: float = 4.0
    frames: float = 3.0
    wide_frames: float = 10.0
    held_by: float = 4.0
    q_unsure: float = 1.2
    judge_rounds: int = 8
    adapt_rounds: int = 4


def smooth_point(
    cameras: Sequence[Camera], events: PointEvents, start_m: Array, shape: NoiseShape,
    options: SmootherOptions | None = None,
) -> PointPosterior | None:  # fmt: skip
    """The posterior of one point; None where the numbers run away.

    start_m (G, 3): a rough curve at the wanted instants. First all noise is taken as white, wrong observations
    are found and the smoothness adapts; then the noise gets its stated make-up.
    """
    return _Smoother(cameras, events, start_m, shape, options or SmootherOptions()).posterior()


def delays_by_point(
    cameras: Sequence[Camera], events: PointEvents, start_m: Array, shape: NoiseShape, delay_s: Array,
    u_late_s: float, options: SmootherOptions | None = None,
) -> tuple[Array, Array] | None:  # fmt: skip
    """What one point's motion tells about constants that delay its observations.

    delay_s (E, m): by how many seconds a unit of each constant delays each observation, in the order of
    `events.observations()`. u_late_s: how wrong the clocks may be while the curve and wrong observations are
    judged. Gives information (m, m) and that times the best values (m,), nothing being known of the constants
    beforehand; None where the fit ran away.
    """
    smoother = _Smoother(cameras, events, start_m, shape, options or SmootherOptions(), u_late_s)
    model, q, used = smoother.all_white()
    if q is None:
        return None
    if shape.white < 1.0:
        model, q, used = smoother.as_stated(q, used)
    return smoother.told_of(delay_s, model, q, used)


class _Smoother:
    """One point with its working memory. u_late_s: how late the clocks may be, where that is asked for."""

    def __init__(
        self, cameras: Sequence[Camera], events: PointEvents, start_m: Array, shape: NoiseShape,
        options: SmootherOptions, u_late_s: float | None = None,
    ) -> None:  # fmt: skip
        self.u_late_s = u_late_s
        self.cameras, self.whole, self.shape, self.options = cameras, events, shape, options
        self.events = events.observations()
        self.frames = len(start_m)
        self.step_s = float(np.median(np.diff(events.t_s[events.wanted])))
        self.sigma_px = np.maximum(self.events.sigma_px, _LEAST_WHITE_PX)
        grid_t = events.t_s[events.wanted]
        self.start_m = start_m
        velocity = np.gradient(start_m, grid_t, axis=0)
        at, rate = (
            np.stack([np.interp(self.events.t_s, grid_t, x[:, d]) for d in range(3)], axis=1)
            for x in (start_m, velocity)
        )
        self.linearise(at, rate)

    def linearise(self, at_m: Array, velocity_m_s: Array) -> None:
        """Pixels as linear functions of the point near at_m (E, 3), and of the clocks' errors."""
        J, predicted = np.zeros((len(at_m), 2, 3)), np.full((len(at_m), 2), np.nan)
        for c, camera in enumerate(self.cameras):
            own = self.events.camera == c
            predicted[own], J[own] = camera.project_with_jacobian(at_m[own])
        self.seen = np.isfinite(predicted).all(axis=1)
        J[~self.seen] = 0.0
        self.residual_px = np.where(self.seen[:, None], self.events.uv_px - predicted, 0.0)
        self.z = self.residual_px + np.einsum("eij,ej->ei", J, at_m)
        self.J = J
        self.rate = np.einsum("eij,ej->ei", J, velocity_m_s)
        self.rate[self.events.camera == 0] = 0.0  # the reference

    def posterior(self) -> PointPosterior | None:
        """Fit, and again with everything at the wanted instants."""
        model, q, used = self.all_white()
        if q is None:
            return None
        if self.shape.white < 1.0:
            model, q, used = self.as_stated(q, used)
        return self.at_wanted(q, used, model)

    def model(self, shape: NoiseShape, sigma_px: Array) -> ErrorSizes:
        """The error sizes of every event under a noise shape."""
        c = len(self.cameras)
        slow = KINEMATIC
        bias = slow + (2 * c if shape.slow > 0 else 0)
        late = bias + (2 * c if shape.bias > 0 else 0)
        n = late + (c if self.u_late_s is not None else 0)
        white = np.maximum(shape.white * sigma_px**2, _LEAST_WHITE_PX**2)
        return ErrorSizes(
            white,
            np.sqrt(shape.slow) * sigma_px,
            np.sqrt(shape.bias) * sigma_px,
            shape.slow_s,
            slow,
            bias,
            late,
            n,
        )

    def run(
        self, events: PointEvents, model: ErrorSizes, white: Array, used: NDArray[np.bool_], q: Array, z: Array,
        J: Array, rate: Array, *, covariances: bool = False,
    ) -> Passes:  # fmt: skip
        """One pass forwards and backwards."""
        e, n = len(events.t_s), model.n
        r = Passes(
            np.empty((e, n)), np.empty((e, n, n)), np.zeros((e, n, 2)), np.zeros((e, 2, 2)), np.zeros((e, 2)),
            np.empty((e, KINEMATIC)), np.empty((e if covariances else 0, 6, 6)), np.zeros((e, 2)),
            np.ones((e, 2, 2)), np.zeros((e, 2)),
        )  # fmt: skip
        x, P = self._before(model, events)
        args = (events.t_s, events.camera, used, z, J, white, model.by_slow, model.by_bias, rate, q,
                model.slow_s, model.slow, model.bias, model.late)  # fmt: skip
        forwards(*args, x, P, r.xp, r.Pp, r.K, r.Si, r.v)
        backwards(*args, r.xp, r.Pp, r.K, r.Si, r.v, r.means, r.covariances, r.apart, r.sure, r.stirred)
        return r

    def _before(self, model: ErrorSizes, events: PointEvents) -> tuple[Array, Array]:
        x = np.zeros(model.n)
        x[:3] = self.start_m[events.grid[0]]
        sd = np.ones(model.n)
        sd[:KINEMATIC] = START_SD
        sd[model.late :] = self.u_late_s or 0.0
        return x, np.diag(sd**2)

    def told_of(
        self, delay_s: Array, model: ErrorSizes, q: Array, used: NDArray[np.bool_]
    ) -> tuple[Array, Array] | None:
        """Information about constants that delay observations, and that times their best values."""
        run = self.run(self.events, model, model.white, used, q, self.z, self.J, self.rate)
        rate = np.einsum("eij,ej->ei", self.J, run.means[:, 3:6])
        self.u_late_s = None  # the delays are told of by the constants alone
        model = self.model(self.shape, self.sigma_px)
        run = self.run(self.events, model, model.white, used, q, self.z, self.J, self.rate)
        m = delay_s.shape[1]
        N, g = np.zeros((m, m)), np.zeros(m)
        information(
            self.events.t_s, self.events.camera, used, self.J, model.by_slow, model.by_bias, model.slow_s,
            model.slow, model.bias, model.n, run.K, run.Si, run.v, rate[:, :, None] * delay_s[:, None, :], N, g,
        )  # fmt: skip
        return (N, g) if np.isfinite(N).all() and np.isfinite(g).all() else None

    def likelihood(self, model: ErrorSizes, white: Array, used: NDArray[np.bool_], q: float) -> float:
        """Of one intensity for the whole clip."""
        e, n = len(self.events.t_s), model.n
        x, P = self._before(model, self.events)
        return float(
            forwards(
                self.events.t_s, self.events.camera, used, self.z, self.J, white, model.by_slow, model.by_bias,
                self.rate, np.full(e, q), model.slow_s, model.slow, model.bias, model.late, x, P,
                np.empty((e, n)), np.empty((e, n, n)), np.zeros((e, n, 2)), np.zeros((e, 2, 2)),
                np.zeros((e, 2)),
            )
        )  # fmt: skip

    def best_intensity(self, model: ErrorSizes, white: Array, used: NDArray[np.bool_]) -> float:
        """The most likely single intensity: a coarse search, then two halvings."""
        tried = {float(q): self.likelihood(model, white, used, float(q)) for q in _INTENSITIES}
        for factor in (10**0.75, 10**0.4):
            best = max(tried, key=lambda q: tried[q])
            for q in (best / factor, best * factor):
                tried[q] = self.likelihood(model, white, used, q)
        return max(tried, key=lambda q: tried[q])

    def all_white(self) -> tuple[ErrorSizes, Array | None, NDArray[np.bool_]]:
        """With all noise white: intensities (E,), None where the fit ran away, and which observations count."""
        model = self.model(NoiseShape(), self.sigma_px)
        used = self.seen & self.events.agreed
        weight = 1 / (1 + (self.residual_px**2).sum(axis=1) / self.sigma_px**2 / _CAUCHY2)
        q = np.full(len(used), self.best_intensity(model, model.white / weight, used & self.events.agreed))
        for round_ in range(3):
            run = self.run(self.events, model, model.white / weight, used, q, self.z, self.J, self.rate)
            distance2 = _distance2(run, model.white / weight, model.white)
            if not np.isfinite(distance2[used]).all():
                return model, None, used
            weight = 1 / (1 + distance2 / _CAUCHY2)
            if round_ == 1:
                self.sigma_px = self.sigma_px * self._scale(distance2, used & self.events.agreed)
                model = self.model(NoiseShape(), self.sigma_px)
            if round_ < 2:
                self.linearise(run.means[:, :3], run.means[:, 3:6])
                used = self.seen & self.events.agreed
        return self.judged(model, q, weight, used)

    def judged(
        self, model: ErrorSizes, q: Array, weight: Array, used: NDArray[np.bool_]
    ) -> tuple[ErrorSizes, Array | None, NDArray[np.bool_]]:
        """Smoothness adapts, first with soft weights, then with observations left out, at last undisturbed."""
        adapting = Leaps()
        gate2 = self.options.gate2 * np.where(self.events.agreed, self.options.agreed_factor, 1.0)
        rounds, judging = self.options.judge_rounds + self.options.adapt_rounds, self.options.judge_rounds
        for round_ in range(rounds):
            soft = round_ < judging // 2
            white = model.white / weight if soft else model.white
            run = self.run(self.events, model, white, used, q, self.z, self.J, self.rate)
            q = adapting.step(q, self.adapted(q, run.stirred))
            distance2 = _distance2(run, white, model.white)
            if not np.isfinite(distance2[self.seen]).all():
                return model, None, used
            weight = 1 / (1 + distance2 / _CAUCHY2)
            if not soft and round_ < judging:
                used = self.seen & (distance2 < np.where(self.events.agreed, gate2, self._believed(run, gate2)))
            if round_ == judging:
                self.linearise(run.means[:, :3], run.means[:, 3:6])
        return model, q, used

    def _believed(self, run: Passes, gate2: Array) -> Array:
        """(E,) the gate of an observation that the cameras do not agree on: the likelier it is far off.

        It is believed where it is more likely here, by what all others say, than anywhere in the player's
        surroundings; where the others hardly know where the point is, any pixel would do, and none is taken.
        """
        det = run.sure[:, 0, 0] * run.sure[:, 1, 1] - run.sure[:, 0, 1] * run.sure[:, 1, 0]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.asarray(np.minimum(gate2, -np.log(det / _ANYWHERE_PX**4)))

    def as_stated(
        self, q: Array, used: NDArray[np.bool_], rounds: int = 3
    ) -> tuple[ErrorSizes, Array, NDArray[np.bool_]]:
        """With the noise as it is made up."""
        model = self.model(self.shape, self.sigma_px)
        adapting = Leaps()
        for _ in range(rounds):
            run = self.run(self.events, model, model.white, used, q, self.z, self.J, self.rate)
            q = adapting.step(q, self.adapted(q, run.stirred))
        return model, q, used & (_distance2(run, model.white, model.white) < 6 * self.options.gate2)

    def _scale(self, distance2: Array, used: NDArray[np.bool_]) -> float:
        """By how much the errors are larger than stated; never below 1.

        One factor for all cameras: what one camera's lasting error adds to its residuals says nothing of its
        white noise, and must not shift the weights between the views.
        """
        ratio = float(np.median(distance2[used])) / _MEDIAN2 if used.sum() >= 30 else 1.0
        return float(np.sqrt(np.clip(ratio, 1.0, 64.0))) if ratio > 1.5 else 1.0

    def adapted(self, q: Array, stirred: Array) -> Array:
        """Intensity (E,) one step nearer to where every event's surroundings are stirred as much as expected.

        A short window holds few degrees of freedom; by themselves they would call half of all stretches
        perfectly smooth. So the intensity is held near that of its wider surroundings.
        Source: Zhou H, Hu L, Zhou J, Lange K (2019), MM algorithms for variance components models, J Comput
        Graph Stat 28:350-361 (from memory): the ratio's square root never lowers the likelihood.
        """
        width, grid = self.options.frames, self.events.grid
        count = np.bincount(grid, minlength=self.frames)
        seen = np.flatnonzero(count)
        log_q = np.interp(
            np.arange(self.frames), seen, np.bincount(grid, np.log(q), self.frames)[seen] / count[seen]
        )
        surroundings = np.exp(gaussian_filter1d(log_q, self.options.wide_frames, mode="nearest") - log_q)
        found, expected = (
            np.sqrt(2 * np.pi) * width
            * gaussian_filter1d(np.bincount(grid, part, self.frames), width, mode="constant")
            for part in stirred.T
        )  # fmt: skip
        held = self.options.held_by
        ratio = np.sqrt((found + held * surroundings) / (expected + held))
        return np.asarray(np.clip(q * np.clip(ratio, 1e-2, 1e2)[grid], 1e-4, 1e13))

    def at_wanted(self, q: Array, used: NDArray[np.bool_], model: ErrorSizes) -> PointPosterior | None:
        """The last pass, with the wanted instants among the events.

        How smooth the motion is, is not known exactly: where the curve would run elsewhere if it were less so,
        as at a push-off or a landing, that is a part of its uncertainty (to first order).
        """
        whole = self.whole
        back = np.flatnonzero(~whole.wanted)
        q_grid = np.full(self.frames, np.nan)
        q_grid[self.events.grid] = q
        known = np.flatnonzero(~np.isnan(q_grid))
        q_grid = np.interp(np.arange(self.frames), known, q_grid[known])

        def spread(values: Array, fill: float) -> Array:
            out = np.full((len(whole.t_s), *values.shape[1:]), fill)
            out[back] = values
            return out

        white, by_slow, by_bias = (spread(a, 1.0) for a in (model.white, model.by_slow, model.by_bias))
        full = replace(model, white=white, by_slow=by_slow, by_bias=by_bias)
        counts = np.zeros(len(whole.t_s), dtype=bool)
        counts[back] = used
        z, J, rate = (spread(a, 0.0) for a in (self.z, self.J, self.rate))
        intensities = q_grid[whole.grid]
        run = self.run(whole, full, white, counts, intensities, z, J, rate, covariances=True)
        freer = self.run(whole, full, white, counts, np.exp(self.options.q_unsure) * intensities, z, J, rate)
        at = whole.wanted
        means, covariances = run.means[at], run.covariances[at]
        by_q = (freer.means[at] - means)[:, :6]
        if not all(np.isfinite(a).all() for a in (means, covariances, by_q)):
            return None
        covariances += by_q[:, :, None] * by_q[:, None, :]
        return PointPosterior(
            means[:, :3], means[:, 3:6], covariances, whole, counts, J, intensities, full, run.K,
            run.Si, np.ascontiguousarray(run.Pp[at][:, :3]), by_q[:, :3], self.options.frames,
        )  # fmt: skip


def _distance2(run: Passes, white: Array, nominal: Array) -> Array:
    """(E,) squared distance in sigmas of every observation from what all others say, at its nominal noise."""
    cov = run.sure + (nominal - white)[:, None, None] * np.eye(2)
    det = cov[:, 0, 0] * cov[:, 1, 1] - cov[:, 0, 1] * cov[:, 1, 0]
    a, b = run.apart.T
    return np.asarray((cov[:, 1, 1] * a**2 - 2 * cov[:, 0, 1] * a * b + cov[:, 0, 0] * b**2) / det)
