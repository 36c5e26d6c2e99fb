"""Predicted uncertainty over the serve's instants, and how many cameras see what it needs."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.planning.forecast import Forecast, Planner
from recon.planning.headline import PlannedMeasure, course_gradient
from recon.planning.picture_style import CATEGORIES, CONTINUOUS, INK, LINES, SOFT, new_figure
from recon.records import EVENT_NAMES
from recon.wording import scale_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_FROM_S = -1.5
_CLOSE_S = 0.03  # instants nearer than this share one label


def serve_figure(planner: Planner, forecast: Forecast) -> Figure:
    """Six panels of 2 u, one strip of counts."""
    rows = [m.row for m in forecast.measures if m.row.unit != "s"]
    figure = new_figure(13.0, 9.6, f"{planner.plan.name}: predicted uncertainty over an invented serve")
    figure.text(
        0.012, 0.955,
        "What the rig adds (pixels, what hides, calibration), k = 2. The dot: where the measure is taken.",
        ha="left", va="top", color=SOFT, fontsize=10,
    )  # fmt: skip
    grid = figure.add_gridspec(3, 2, left=0.06, right=0.965, top=0.83, bottom=0.31, hspace=0.42, wspace=0.15)
    course = planner.predictor.course_u(forecast.views, forecast.calibration)
    for k, row in enumerate(rows):
        axes = figure.add_subplot(grid[k // 2, k % 2])
        _panel(axes, planner, row, course[row.name])
        _events(axes, planner, named=k < 2)
    strip = figure.add_axes((0.21, 0.06, 0.755, 0.17))
    counts = np.stack([_seen_by(planner, forecast, row) for row in rows])
    _strip(
        strip, planner.serve.body.t_s, counts, [row.label.split(",")[0] for row in rows], len(forecast.views)
    )
    return figure


def _panel(axes: Axes, planner: Planner, row: PlannedMeasure, u: Array) -> None:
    t = planner.serve.body.t_s
    factor, suffix = scale_of(row.unit)
    wide = 2 * factor * u
    shown = t >= _FROM_S
    axes.plot(t[shown], wide[shown], color=CATEGORIES[0], lw=1.8)
    lean = planner.predictor.lean(row.name)
    for k in sorted(set(lean.sample.tolist())):
        if np.isfinite(wide[k]):
            axes.plot([t[k]], [wide[k]], "o", ms=7, color=CATEGORIES[1], zorder=4)
            late = t[k] > -0.25  # near the right edge the number stands on the dot's left
            axes.annotate(
                f"{wide[k]:.2g}{suffix}", (t[k], wide[k]), xytext=(-8 if late else 8, 7),
                ha="right" if late else "left", textcoords="offset points", color=INK,
            )  # fmt: skip
    top = float(np.nanmax(wide[shown])) if np.isfinite(wide[shown]).any() else 1.0
    axes.set_ylim(0, 1.25 * top)
    axes.set_xlim(_FROM_S, float(t[-1]))
    axes.set_ylabel(f"2 u, {suffix.strip()}")
    axes.set_title(row.label.split(",")[0], loc="left", fontsize=10, color=INK)
    axes.grid(axis="y", color="#E4E8EC", lw=0.8)


def _events(axes: Axes, planner: Planner, *, named: bool) -> None:
    groups: list[tuple[float, list[str]]] = []
    for event in sorted(
        (e for e in planner.serve.events.events if e.t_s is not None), key=lambda e: e.t_s or 0.0
    ):
        at = float(event.t_s or 0.0)
        if groups and at - groups[-1][0] < _CLOSE_S:
            groups[-1][1].append(EVENT_NAMES[event.name])
        else:
            groups.append((at, [EVENT_NAMES[event.name]]))
    for at, names in groups:
        axes.axvline(at, color=LINES, lw=0.9, ls=(0, (4, 3)), zorder=1)
        if named:
            axes.annotate(
                ", ".join(names), (at, 1.0), xycoords=("data", "axes fraction"), xytext=(-2, 15),
                textcoords="offset points", rotation=32, ha="left", va="bottom", fontsize=7.5, color=SOFT,
            )  # fmt: skip


def _seen_by(planner: Planner, forecast: Forecast, row: PlannedMeasure) -> NDArray[np.int64]:
    """(T,) cameras that plainly see, of the points the row needs, the one that fewest see."""
    used = np.abs(course_gradient(row, planner.serve.body)).max(axis=(0, 2)) > 0
    seen = np.stack([v.plain[:, used] for v in forecast.views])
    return np.asarray(seen.sum(axis=0).min(axis=1), dtype=np.int64)


def _strip(axes: Axes, t: Array, counts: NDArray[np.int64], labels: list[str], most: int) -> None:
    shown = t >= _FROM_S
    t, counts = t[shown], counts[:, shown]
    step = t[1] - t[0]
    extent = (t[0] - step / 2, t[-1] + step / 2, len(labels) - 0.5, -0.5)
    axes.imshow(
        counts, aspect="auto", cmap=CONTINUOUS, vmin=0, vmax=most, extent=extent, interpolation="nearest"
    )
    for j, line in enumerate(counts):
        cuts = np.concatenate([[0], np.flatnonzero(np.diff(line)) + 1, [len(line)]])
        for a, b in pairwise(cuts):
            if b - a >= 2:
                colour = "white" if line[a] < most / 2 else "black"
                axes.text(
                    (t[a] + t[b - 1]) / 2, j, str(line[a]), ha="center", va="center", color=colour, fontsize=8
                )
    axes.set_yticks(range(len(labels)), labels, fontsize=8)
    axes.set_xlabel("time before contact, s")
    axes.set_title(
        "Cameras that plainly see what the measure needs (the point that fewest see)",
        loc="left",
        fontsize=10,
        color=INK,
    )
