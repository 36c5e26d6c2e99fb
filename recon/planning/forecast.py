"""What one choice of cameras and places will reach."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.court.model import Volume
from calibration.planning import LensForecasts, aimed_camera, court_u_m, forecast_covariance, shape_u_m
from recon.planning.description import Plan, PlannedCamera, Triple
from recon.planning.headline import ROWS
from recon.planning.predict import PredictedMeasure, Predictor
from recon.planning.serve import invented_serve
from recon.planning.sight import Sight
from recon.planning.views import PlannedView, planned_view

Choice = tuple[tuple[int, int], ...]
"""(camera, place) numbers of the plan, in the cameras' order."""

BOARD_VIEWS = (10, 20, 40)
"""Numbers of shared board views that a forecast compares."""


@dataclass(frozen=True, slots=True, eq=False)
class BoardRow:
    """What calibration alone adds around the server with this many shared board views, metres (k = 1).

    court_u_m  of a point's place in the court; shape_u_m  of shapes, after the best rigid move
    """

    views: int
    court_u_m: float
    shape_u_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """views in the order of choice; calibration (18 C, 18 C)."""

    choice: Choice
    views: tuple[PlannedView, ...]
    calibration: Array
    measures: tuple[PredictedMeasure, ...]

    @property
    def worst(self) -> PredictedMeasure:
        """The row that misses its goal most, as far as the rig decides it."""
        return max(self.measures, key=lambda m: m.rig_share)

    def of(self, name: str) -> PredictedMeasure:
        """The named row."""
        return next(m for m in self.measures if m.row.name == name)


class Planner:
    """A plan with its invented serve; what every place sees is worked out once."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.serve = invented_serve(plan.height_m, plan.handedness, plan.slowest_hz, plan.front_toe_x_m)
        rows = tuple(replace(r, goal=plan.goals_si.get(r.name, r.goal)) for r in ROWS)
        self.predictor = Predictor(self.serve, plan.clock_u_s, rows)
        self._sight = Sight(self.serve.body, plan.height_m, plan.walls)
        self._lenses = LensForecasts(plan.calibration)
        self._views: dict[tuple[int, int], PlannedView] = {}

    @property
    def volume(self) -> Volume:
        """Around the server, from the shoes to the racket tip at contact."""
        x = self.plan.front_toe_x_m
        return Volume((x - 1.0, x + 1.0), (-0.8, 0.8), (0.0, 3.1))

    def first_choice(self) -> Choice:
        """The plan as it stands: the first `choose` cameras, each at its first place."""
        return tuple((i, 0) for i in range(self.plan.choose))

    def place_m(self, slot: tuple[int, int]) -> Triple:
        """Where a slot of a choice puts its camera."""
        return self.camera(slot).places_m[slot[1]]

    def camera(self, slot: tuple[int, int]) -> PlannedCamera:
        """The camera of a slot."""
        return self.plan.cameras[slot[0]]

    def view(self, slot: tuple[int, int]) -> PlannedView:
        """What the slot's camera sees of the serve."""
        if slot not in self._views:
            entry = self.camera(slot)
            camera = aimed_camera(
                entry.name, entry.size_px, entry.focal_px, self.place_m(slot), entry.look_at_m
            )
            self._views[slot] = planned_view(camera, entry.exposure_s, self.serve.body, self._sight)
        return self._views[slot]

    def forecast(self, choice: Choice) -> Forecast:
        """Everything about one choice. Raises NotMeasurable where its cameras cannot be calibrated together."""
        views = tuple(self.view(slot) for slot in choice)
        calibration = self.calibration(views)
        return Forecast(choice, views, calibration, self.predictor.measures(views, calibration))

    def calibration(self, views: Sequence[PlannedView], shared_views: int | None = None) -> Array:
        """(18 C, 18 C) that the planned boards and clicks will give."""
        plan = self.plan.calibration
        if shared_views is not None:
            plan = replace(plan, shared_views=shared_views)
        cameras = [v.camera for v in views]
        return forecast_covariance(cameras, plan, self._lenses, self.plan.front_toe_x_m)

    def board_rows(self, forecast: Forecast) -> tuple[BoardRow, ...]:
        """What more or fewer shared board views would mean."""
        cameras = [v.camera for v in forecast.views]
        rows = []
        for count in sorted({*BOARD_VIEWS, self.plan.calibration.shared_views}):
            covariance = self.calibration(forecast.views, count)
            court = court_u_m(cameras, covariance, self.volume)
            rows.append(BoardRow(count, court, shape_u_m(cameras, covariance, self.volume)))
        return tuple(rows)

    def quick_shares(self, choice: Choice, *, with_calibration: bool) -> Array:
        """(rows,) rig shares by linear propagation; without calibration it is taken as perfect."""
        views = tuple(self.view(slot) for slot in choice)
        n = 18 * len(views)
        calibration = self.calibration(views) if with_calibration else np.zeros((n, n))
        found = self.predictor.measures(views, calibration, quick=True)
        return np.array([m.rig_share for m in found])
