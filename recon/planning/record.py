"""The forecast as a file for other programs: forecast.json, SI units, standard uncertainties (k = 1)."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calibration import write_atomically
from recon.planning.exposure import exposure_rows
from recon.planning.forecast import Forecast, Planner
from recon.planning.notes import CAUTIONS, remarks
from recon.planning.search import Suggestion

FORECAST = "forecast.json"


def save_forecast(planner: Planner, suggestion: Suggestion, folder: Path) -> Path:
    """Write folder/forecast.json."""
    folder.mkdir(parents=True, exist_ok=True)
    before = suggestion.before
    held = {
        "format": "courtplumb forecast 1",
        "plan": planner.plan.name,
        "serve": "invented stand-in athlete",
        "as_planned": None if before is None else _choice(planner, before),
        "why_not_as_planned": suggestion.why_not,
        "moves": [
            {"camera": m.name, "from_m": m.from_m, "to_m": m.to_m, "instead_of": m.instead_of,
             "measure": m.before.row.name, "rig_u_before": _number(m.before.rig_u),
             "rig_u_after": _number(m.after.rig_u)}
            for m in suggestion.moves
        ],
        "suggested": _choice(planner, suggestion.after),
        "cautions": list(CAUTIONS),
    }  # fmt: skip
    path = folder / FORECAST
    write_atomically(path, json.dumps(held, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    return path


def _choice(planner: Planner, forecast: Forecast) -> Mapping[str, Any]:
    return {
        "cameras": {planner.camera(slot).name: list(planner.place_m(slot)) for slot in forecast.choice},
        "measures": [
            {"name": m.row.name, "unit": m.row.unit, "value_of_the_invented_serve": _number(m.value),
             "u": _number(m.u), "rig_u": _number(m.rig_u), "goal_k2": m.row.goal,
             "sources": {k: _number(u) for k, u in m.sources.items()}, "limited_by": m.cause,
             "unseen": m.unseen}
            for m in forecast.measures
        ],
        "exposure": [
            {"camera": r.camera, "planned_s": r.planned_s, "streak_px": _number(r.planned_blur_px),
             "longest_s": _number(r.limit_s), "metered_s": r.light_s}
            for r in exposure_rows(planner, forecast)
        ],
        "board_views": [
            {"shared_views": r.views, "court_u_m": _number(r.court_u_m), "shape_u_m": _number(r.shape_u_m)}
            for r in planner.board_rows(forecast)
        ],
        "remarks": list(remarks(planner, forecast)),
    }  # fmt: skip


def _number(x: float) -> float | None:
    """Six digits; None for what cannot be told (JSON knows no infinity)."""
    return float(f"{x:.6g}") if abs(x) < float("inf") else None
