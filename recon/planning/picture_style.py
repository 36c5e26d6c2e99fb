"""The look that all pictures of a plan share."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CATEGORIES = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000", "#6B7280")
"""One per camera, after Okabe and Ito (2008); each camera's number stands beside its colour."""
CONTINUOUS = "cividis"
"""Perceptually uniform, also for colour-blind readers: Nuñez JR et al. (2018), PLoS ONE 13:e0199239."""
INK, SOFT, LINES = "#1F2933", "#6B7280", "#9AA5B1"


def new_figure(width_in: float, height_in: float, title: str) -> Figure:
    """An empty figure of the plan's look."""
    from matplotlib.figure import Figure  # imported here: only a plan with pictures needs it

    figure = Figure(figsize=(width_in, height_in), facecolor="white")
    figure.suptitle(title, x=0.012, y=0.985, ha="left", va="top", fontsize=13, fontweight="bold", color=INK)
    return figure
