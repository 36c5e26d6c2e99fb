"""The court from above with the cameras, what they look at, and how well a point's place is told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from calibration.court.model import OUTLINES_M
from recon.planning.court_map import STEP_M, CourtMap, court_map
from recon.planning.forecast import Forecast, Planner
from recon.planning.picture_style import CATEGORIES, CONTINUOUS, INK, LINES, SOFT, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.image import AxesImage

_HEIGHTS_M = (1.0, 2.5)  # the hips, and the racket at contact
_REACH_M = 60.0  # a field of view is drawn to the picture's edge


def places_figure(planner: Planner, forecast: Forecast) -> Figure:
    """Left the plan view, right the two maps."""
    figure = new_figure(13.0, 7.4, f"{planner.plan.name}: cameras, and how well the rig tells where a point is")
    grid = figure.add_gridspec(
        2, 2, width_ratios=(1.6, 1.0), left=0.05, right=0.935, top=0.88, bottom=0.09, wspace=0.12, hspace=0.34
    )
    _plan_view(figure.add_subplot(grid[:, 0]), planner, forecast)
    right = [figure.add_subplot(grid[k, 1]) for k in range(2)]
    maps = [court_map(planner, forecast, z) for z in _HEIGHTS_M]
    known = np.concatenate([1e3 * m.u_m[np.isfinite(m.u_m)] for m in maps])
    span = (float(known.min()), float(max(known.max(), known.min() * 1.05))) if len(known) else (0.0, 1.0)
    for axes, m in zip(right, maps, strict=True):
        drawn = _map(axes, planner, m, span)
    bar = figure.colorbar(drawn, ax=right, fraction=0.05, pad=0.04)
    bar.set_label("u (k = 1) of a wrist's place, nothing hiding it, mm", color=INK)
    return figure


def _plan_view(axes: Axes, planner: Planner, forecast: Forecast) -> None:
    for line in OUTLINES_M:
        x, y, _ = np.array(line).T
        axes.plot(x, y, color=LINES, lw=1.0, zorder=2)
    chosen = {slot[0] for slot in forecast.choice}
    allowed = np.array([p for c in planner.plan.cameras for p in c.places_m])
    axes.plot(allowed[:, 0], allowed[:, 1], "+", ms=5, color=SOFT, zorder=3, label="allowed place")
    for k, slot in enumerate(forecast.choice):
        _camera(axes, planner, forecast, k, slot)
    for i, entry in enumerate(planner.plan.cameras):
        if i not in chosen:
            x, y, _ = entry.places_m[0]
            axes.annotate(
                f"{entry.name} (not used)", (x, y), xytext=(5, 5), textcoords="offset points", color=SOFT
            )
    toe = planner.plan.front_toe_x_m
    axes.plot([toe], [-0.3], marker="o", ms=9, mfc="white", mec=INK, mew=1.6, zorder=6)
    axes.annotate("server", (toe, -0.3), xytext=(9, -12), textcoords="offset points", color=INK, zorder=6)
    places = np.concatenate([allowed[:, :2], [[-6.5, -2.0], [6.5, 7.0]]])
    axes.set_xlim(places[:, 0].min() - 2.0, places[:, 0].max() + 2.0)
    axes.set_ylim(places[:, 1].min() - 1.6, places[:, 1].max() + 0.8)
    axes.set_aspect("equal")
    axes.set_xlabel("along the baseline, to the server's right, m")
    axes.set_ylabel("towards the net, m")
    axes.set_title("From above: shaded what each camera has in its picture", loc="left", fontsize=10, color=INK)
    axes.legend(loc="upper left", fontsize=9, frameon=True)


def _camera(axes: Axes, planner: Planner, forecast: Forecast, k: int, slot: tuple[int, int]) -> None:
    entry, camera = planner.camera(slot), forecast.views[k].camera
    x, y, z = planner.place_m(slot)
    colour = CATEGORIES[k % len(CATEGORIES)]
    edges = camera.rays(
        np.array([[0.0, entry.size_px[1] / 2], [entry.size_px[0] - 1.0, entry.size_px[1] / 2]])
    )[:, :2]
    edges = edges / np.linalg.norm(edges, axis=1, keepdims=True) * _REACH_M
    corners = np.array([[x, y], [x, y] + edges[0], [x, y] + edges[1]])
    axes.fill(*corners.T, color=colour, alpha=0.10, lw=0, zorder=1)
    axes.plot(*corners[[1, 0, 2]].T, color=colour, lw=0.9, alpha=0.7, zorder=2)
    axes.plot([x], [y], marker="o", ms=17, color=colour, zorder=7)
    axes.annotate(str(k + 1), (x, y), ha="center", va="center", color="white", fontweight="bold", zorder=8)
    axes.annotate(
        f"{entry.name}, {z:.1f} m high", (x, y), xytext=(0, -14 - 15 * (k % 2)),
        textcoords="offset points", ha="center", va="top", color=INK, fontsize=9, zorder=8,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 1},
    )  # fmt: skip


def _map(axes: Axes, planner: Planner, m: CourtMap, span_mm: tuple[float, float]) -> AxesImage:
    u_mm = 1e3 * m.u_m
    half = STEP_M / 2
    extent = (m.x_m[0] - half, m.x_m[-1] + half, m.y_m[0] - half, m.y_m[-1] + half)
    drawn = axes.imshow(u_mm, origin="lower", extent=extent, cmap=CONTINUOUS, vmin=span_mm[0], vmax=span_mm[1])
    middle = sum(span_mm) / 2
    for j, y in enumerate(m.y_m):
        for i, x in enumerate(m.x_m):
            u = u_mm[j, i]
            text, colour = ("unseen", INK) if np.isnan(u) else (f"{u:.0f}", "white" if u < middle else "black")
            axes.text(x, y, text, ha="center", va="center", fontsize=9 if np.isfinite(u) else 6, color=colour)
    axes.axhline(0.0, color="white", lw=2.2)
    axes.text(
        m.x_m[0] - half, 0.03, " baseline (line); server (circle)", color="white", fontsize=7, va="bottom"
    )
    axes.plot([planner.plan.front_toe_x_m], [-STEP_M], marker="o", ms=6, mfc="none", mec="white", mew=1.6)
    axes.set_title(f"{m.height_m:.1f} m above the ground", loc="left", fontsize=10, color=INK)
    axes.set_xlabel("x, m")
    axes.set_ylabel("y, m")
    return drawn
