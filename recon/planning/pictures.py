"""The pictures of a plan, and how they are written: the same plan gives the same bytes."""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from recon.planning.forecast import Forecast, Planner
from recon.planning.picture_places import places_figure
from recon.planning.picture_serve import serve_figure
from recon.planning.picture_suggestions import suggestions_figure
from recon.planning.search import Suggestion

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLACES, SERVE, SUGGESTION = "places.png", "serve.png", "suggestions.png"
_DPI = 110


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
