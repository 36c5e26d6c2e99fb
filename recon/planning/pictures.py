"""The pictures of a plan, and how they are written: the same plan gives the same bytes."""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from recon.planning.forecast import Forecast, Planner
from recon.planning.search import Suggestion

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLACES, SERVE, SUGGESTION = "places.png", "serve.png", "suggestions.png"
CATEGORIES = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000", "#6B7280")
"""One per camera, after Okabe and Ito (2008); each camera's number stands beside its colour."""
CONTINUOUS = "cividis"
"""Perceptually uniform, also for colour-blind readers: Nuñez JR et al. (2018), PLoS ONE 13:e0199239."""
INK, SOFT, LINES = "#1F2933", "#6B7280", "#9AA5B1"
_DPI = 110


def new_figure(width_in: float, height_in: float, title: str) -> Figure:
    """An empty figure of the plan's look."""
    from matplotlib.figure import Figure  # imported here: only a plan with pictures needs it

    figure = Figure(figsize=(width_in, height_in), facecolor="white")
    figure.suptitle(title, x=0.012, y=0.985, ha="left", va="top", fontsize=13, fontweight="bold", color=INK)
    return figure


def save(figure: Figure, path: Path) -> None:
    """Write a PNG, whole or not at all."""
    held = io.BytesIO()
    figure.savefig(held, format="png", dpi=_DPI, metadata={"Software": None})
    handle, part = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    with os.fdopen(handle, "wb") as out:
        out.write(held.getvalue())
    Path(part).chmod(0o644)
    Path(part).replace(path)


def save_pictures(planner: Planner, suggestion: Suggestion, folder: Path) -> list[Path]:
    """Write places.png, serve.png and suggestions.png.

    The first two show the plan as it stands, or the suggestion where that cannot be calibrated.
    """
    from recon.planning.picture_places import places_figure
    from recon.planning.picture_serve import serve_figure
    from recon.planning.picture_suggestions import suggestions_figure

    folder.mkdir(parents=True, exist_ok=True)
    shown: Forecast = suggestion.before or suggestion.after
    figures = {
        PLACES: places_figure(planner, shown),
        SERVE: serve_figure(planner, shown),
        SUGGESTION: suggestions_figure(planner, suggestion),
    }
    for name, figure in figures.items():
        save(figure, folder / name)
    return [folder / name for name in figures]
