"""How short the exposure must be for a fast racket, and how short the light lets it be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from recon.planning.forecast import Forecast, Planner

METER_CONSTANT = 250.0
"""C of t = C N² / (E S), incident light on a flat receptor: ISO 2720 allows 240 to 400 (value from memory)."""

_BEFORE_CONTACT_S = 0.1


@dataclass(frozen=True, slots=True)
class ExposureRow:
    """One camera.

    planned_s        exposure in the plan; planned_blur_px what it makes of the racket tip at its top speed
    limit_s          longest exposure that keeps that streak within the plan's limit
    light_s          exposure that the stated light calls for at the stated aperture and ISO; None if not stated
    rows_apart_s     time between a picture's first row and the tip's row at contact (rolling shutter)
    """

    camera: str
    planned_s: float
    planned_blur_px: float
    limit_s: float
    light_s: float | None
    rows_apart_s: float

    @property
    def stops_short(self) -> float | None:
        """How many times the light must double for the limit exposure; 0 or less where there is enough."""
        return None if self.light_s is None else float(np.log2(self.light_s / self.limit_s))


def metered_exposure_s(lux: float, f_number: float, iso: float) -> float:
    """The exposure that an incident-light meter asks for."""
    return METER_CONSTANT * f_number**2 / (lux * iso)


def exposure_rows(planner: Planner, forecast: Forecast) -> tuple[ExposureRow, ...]:
    """Streak = speed · exposure · f / depth, for a tip that moves across the camera's axis at its nearest."""
    plan, body = planner.plan, planner.serve.body
    swing = body.between(-_BEFORE_CONTACT_S, 0.0)
    tip = body.point("racket_tip")[swing]
    rows = []
    for slot, view in zip(forecast.choice, forecast.views, strict=True):
        entry = planner.camera(slot)
        per_second = plan.tip_speed_m_s * entry.focal_px / float(view.camera.depth_m(tip).min())
        light = None
        if plan.lux is not None and entry.f_number is not None and entry.iso is not None:
            light = metered_exposure_s(plan.lux, entry.f_number, entry.iso)
        row_share = float(np.clip(view.camera.project(tip)[-1, 1] / entry.size_px[1], 0.0, 1.0))
        rows.append(
            ExposureRow(
                entry.name, entry.exposure_s, per_second * entry.exposure_s, plan.blur_limit_px / per_second,
                light, row_share * entry.readout_s,
            )
        )  # fmt: skip
    return tuple(rows)


def shutter_text(exposure_s: float) -> str:
    """'1/3000 s', rounded down to two digits: never longer than the exposure itself."""
    if exposure_s >= 0.5:
        return f"{exposure_s:.1f} s"
    inverse = 1 / exposure_s
    step = 10.0 ** (np.floor(np.log10(inverse)) - 1)
    return f"1/{int(np.ceil(inverse / step - 1e-9) * step)} s"
