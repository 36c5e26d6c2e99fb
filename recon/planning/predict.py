"""The uncertainty of each headline measure that a planned rig would reach, source by source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from recon.planning.draws import PixelDraws
from recon.planning.headline import ROWS, Lean, PlannedMeasure, course_gradient, event_time_u, leans
from recon.planning.points import CORRELATION_S, PointErrors, point_errors
from recon.planning.serve import InventedServe
from recon.planning.views import PlannedView
from recon.uncertainty import JOINT_OFFSET_M

RIG_SOURCES = ("pixels", "occlusion", "calibration", "clocks")
"""What places, lenses, exposures and board views can change."""
BODY_SOURCES = ("joint centres", "event times")
"""What no rig can."""


@dataclass(frozen=True, slots=True)
class PredictedMeasure:
    """One row: sources hold each part of u (k = 1, SI); unseen names why it cannot be told, else empty."""

    row: PlannedMeasure
    value: float
    sources: Mapping[str, float]
    unseen: str = ""

    def u_of(self, names: Sequence[str]) -> float:
        """Root of the summed squares of some sources; infinite where the measure cannot be told."""
        return np.inf if self.unseen else float(np.sqrt(sum(self.sources[n] ** 2 for n in names)))

    @property
    def u(self) -> float:
        """Standard uncertainty as the program would state it."""
        return self.u_of((*RIG_SOURCES, *BODY_SOURCES))

    @property
    def rig_u(self) -> float:
        """The part that the rig decides."""
        return self.u_of(RIG_SOURCES)

    @property
    def rig_share(self) -> float:
        """2 rig_u over the goal: above 1 the rig misses it."""
        return 2 * self.rig_u / self.row.goal

    @property
    def cause(self) -> str:
        """The largest source, or "not seen"."""
        return "not seen" if self.unseen else max(self.sources, key=lambda n: self.sources[n])


class Predictor:
    """Everything about a serve that does not depend on the rig, ready for many rigs."""

    def __init__(self, serve: InventedServe, clock_u_s: float, rows: Sequence[PlannedMeasure] = ROWS) -> None:
        self.serve, self.clock_u_s, self.rows = serve, clock_u_s, tuple(rows)
        self._leans = leans(serve)
        self._values = {row.name: row.value(serve.body, serve.events) for row in self.rows}
        self._event_u = {row.name: event_time_u(row, serve) for row in self.rows}
        self._draws = PixelDraws(
            serve, {p for row in self.rows if row.picks for p in self._leans[row.name].point}
        )

    def lean(self, name: str) -> Lean:
        """Where and how the named row's value leans on the points."""
        return self._leans[name]

    def measures(
        self, views: Sequence[PlannedView], calibration: Array, *, quick: bool = False
    ) -> tuple[PredictedMeasure, ...]:
        """All rows for one rig. calibration (18 C, 18 C), cameras in the order of the views.

        Linear propagation; rows that pick a sample are evaluated on draws of the linearly moved points instead
        (seeded: the same rig gives the same numbers). quick: linear for all, to compare many rigs.
        """
        t, v = self.serve.body.t_s, self.serve.body.velocity_m_s
        hidden = point_errors(views, t, v)
        bare = (
            hidden if quick else point_errors(views, t, v, bare=True)
        )  # what hides counts, but is not told apart
        found = [self._predicted(row, hidden, bare, calibration) for row in self.rows]
        return tuple(found if quick else [self._redrawn(m, hidden, bare) for m in found])

    def _redrawn(self, m: PredictedMeasure, errors: PointErrors, bare: PointErrors) -> PredictedMeasure:
        if m.unseen or not m.row.picks:
            return m
        pixels = self._draws.u(m.row, m.value, errors)
        if np.isnan(pixels):
            return replace(m, sources={}, unseen="too few cameras see it long enough")
        clear = min(self._draws.u(m.row, m.value, bare), pixels)
        return replace(
            m, sources={**m.sources, "pixels": clear, "occlusion": float(np.sqrt(pixels**2 - clear**2))}
        )

    def _predicted(
        self, row: PlannedMeasure, errors: PointErrors, bare: PointErrors, calibration: Array
    ) -> PredictedMeasure:
        lean, body = self._leans[row.name], self.serve.body
        told = errors.told[lean.sample, lean.point]
        if not told.all():
            missing = sorted({body.keypoints[p] for p in lean.point[~told]})
            why = f"fewer than two cameras tell {', '.join(missing)} when it counts"
            return PredictedMeasure(row, self._values[row.name], {}, why)
        pixels, clear = (self._pixel_variance(lean, e) for e in (errors, bare))
        sources = {
            "pixels": float(np.sqrt(min(clear, pixels))),
            "occlusion": float(np.sqrt(max(pixels - clear, 0.0))),
            "calibration": _calibration_u(lean, errors, calibration),
            "clocks": self._clock_u(lean, errors),
            "joint centres": self._joint_u(lean),
            "event times": self._event_u[row.name],
        }
        return PredictedMeasure(row, self._values[row.name], sources)

    def _pixel_variance(self, lean: Lean, errors: PointErrors) -> float:
        """Keypoint errors hang together in time as recon.uncertainty has it; points and cameras are apart."""
        response = np.einsum("ni,ncia->nca", lean.gradient, errors.by_noise[lean.sample, lean.point])
        t = self.serve.body.t_s[lean.sample]
        together = np.exp(-(((t[:, None] - t) / CORRELATION_S) ** 2))
        together *= lean.point[:, None] == lean.point
        return float(np.einsum("nca,nm,mca->", response, together, response))

    def _clock_u(self, lean: Lean, errors: PointErrors) -> float:
        """The first camera's clock is the rig's time; the others are off independently."""
        per_camera = np.einsum("ni,nci->c", lean.gradient, errors.by_clock[lean.sample, lean.point])
        return float(np.linalg.norm(per_camera[1:]) * self.clock_u_s)

    def _joint_u(self, lean: Lean) -> float:
        """One lasting offset per body point, the same at every instant (recon.uncertainty)."""
        total = 0.0
        for p in np.unique(lean.point):
            name = self.serve.body.keypoints[p]
            spread = 0.0 if name.startswith("racket") else JOINT_OFFSET_M[name.split("_")[-1]]
            whole = lean.gradient[lean.point == p].sum(axis=0)
            total += float(whole @ whole) * spread**2 / 3
        return float(np.sqrt(total))

    def course_u(self, views: Sequence[PlannedView], calibration: Array) -> Mapping[str, Array]:
        """Per row (T,): standard uncertainty of its quantity at every sample from pixels, calibration and what
        hides; NaN where it cannot be told. The deepest bend's row carries the mean knee flexion."""
        body = self.serve.body
        errors = point_errors(views, body.t_s, body.velocity_m_s)
        out = {}
        for row in self.rows:
            g = course_gradient(row, body)
            used = np.abs(g).max(axis=(0, 2)) > 0
            noise = np.einsum("tpi,tpcia->tpca", g, errors.by_noise)
            camera = np.einsum("tpi,tpij->tj", g, errors.by_camera)
            variance = (noise**2).sum(axis=(1, 2, 3)) + np.einsum("ti,ij,tj->t", camera, calibration, camera)
            out[row.name] = np.where(errors.told[:, used].all(axis=1), np.sqrt(variance), np.nan)
        return out


def _calibration_u(lean: Lean, errors: PointErrors, calibration: Array) -> float:
    whole = np.einsum("ni,nij->j", lean.gradient, errors.by_camera[lean.sample, lean.point])
    return float(np.sqrt(max(whole @ calibration @ whole, 0.0)))
