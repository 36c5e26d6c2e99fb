"""Before and after the suggested moves, and what more board views would give."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from recon.planning.forecast import Planner
from recon.planning.notes import move_text
from recon.planning.picture_style import CATEGORIES, INK, SOFT, new_figure
from recon.planning.predict import PredictedMeasure
from recon.planning.search import Suggestion
from recon.wording import expanded_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def suggestions_figure(planner: Planner, suggestion: Suggestion) -> Figure:
    """Left the measures before and after, right the moves and the curve over board views."""
    figure = new_figure(13.0, 7.4, f"{planner.plan.name}: better places, and how many board views")
    grid = figure.add_gridspec(2, 2, left=0.20, right=0.985, top=0.86, bottom=0.10, width_ratios=(1.25, 1.0),
                               height_ratios=(1.25, 1.0), wspace=0.16, hspace=0.30)  # fmt: skip
    _before_after(figure.add_subplot(grid[:, 0]), suggestion)
    _moves(figure.add_subplot(grid[0, 1]), suggestion)
    _boards(figure.add_subplot(grid[1, 1]), planner, suggestion)
    return figure


def _before_after(axes: Axes, suggestion: Suggestion) -> None:
    after = suggestion.after.measures
    before = suggestion.before.measures if suggestion.before is not None else after
    shares = [m.rig_share for m in (*before, *after) if not m.unseen]
    right = 1.18 * max([*shares, 1.1])
    for k, (old, new) in enumerate(zip(before, after, strict=True)):
        ends = [right if m.unseen else m.rig_share for m in (old, new)]
        axes.plot(ends, [k, k], color=SOFT, lw=1.4, zorder=1)
        axes.plot(ends[:1], [k], "o", ms=10, mfc="white", mec=CATEGORIES[1], mew=2, zorder=2)
        axes.plot(ends[1:], [k], "o", ms=10, color=CATEGORIES[0], zorder=3)
        axes.text(0.0, k - 0.32, f" {_said(old)} → {_said(new)}", va="center", ha="left", fontsize=9, color=INK)
    axes.axvline(1.0, color=INK, lw=1.2, ls=(0, (4, 3)))
    axes.text(1.0, -0.85, " goal", color=INK, va="center")
    axes.set_yticks(range(len(after)), [textwrap.fill(m.row.label, 24) for m in after])
    axes.set_ylim(len(after) - 0.4, -1.1)
    axes.set_xlim(0, right)
    axes.set_xlabel("what the rig adds (k = 2), as a share of the goal")
    axes.set_title(
        "○ as planned   ● after the moves;   in words: all of u, k = 2", loc="left", fontsize=10, color=INK
    )
    axes.grid(axis="x", color="#E4E8EC", lw=0.8)


def _said(m: PredictedMeasure) -> str:
    return "cannot be told" if m.unseen else expanded_text(m.u, m.row.unit)


def _moves(axes: Axes, suggestion: Suggestion) -> None:
    axes.set_axis_off()
    axes.set_title("Moves, in the order of their gain", loc="left", fontsize=10, color=INK)
    lines = [move_text(m) for m in suggestion.moves]
    if suggestion.before is None:
        lines = [f"As it stands the plan cannot be calibrated: {suggestion.why_not}."]
    elif not lines:
        lines = ["No single exchange among the allowed places gains 3 % or more: stay with the plan."]
    text = "\n".join(
        textwrap.fill(f"{k}. {line}", 66, subsequent_indent="    ") for k, line in enumerate(lines[:5], 1)
    )
    axes.text(
        0.0, 0.97, text, va="top", ha="left", fontsize=9, color=INK, transform=axes.transAxes, linespacing=1.5
    )


def _boards(axes: Axes, planner: Planner, suggestion: Suggestion) -> None:
    rows = planner.board_rows(suggestion.after)
    views = [r.views for r in rows]
    for k, (name, values) in enumerate(
        (
            ("a point's place in the court", [1e3 * r.court_u_m for r in rows]),
            ("shapes: distances, angles", [1e3 * r.shape_u_m for r in rows]),
        )
    ):
        axes.plot(views, values, marker="os"[k], color=CATEGORIES[k], lw=1.8, label=name)
        for x, y in zip(views, values, strict=True):
            axes.annotate(
                f"{y:.2g}",
                (x, y),
                xytext=(0, 8),
                textcoords="offset points",
                ha="center",
                color=INK,
                fontsize=9,
            )
    axes.set_yscale("log")
    low, high = axes.get_ylim()
    axes.set_ylim(low / 1.5, high * 2.2)
    axes.set_yticks([mm for mm in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if low / 1.5 <= mm <= high * 2.2])
    axes.yaxis.set_major_formatter("{x:g}")
    axes.set_xscale("log")
    axes.set_xticks(views, [str(v) for v in views])
    axes.minorticks_off()
    axes.set_xlabel("shared board views")
    axes.set_ylabel("u of calibration alone, mm (k = 1)")
    axes.set_title("Board views: after the moves, around the server", loc="left", fontsize=10, color=INK)
    axes.legend(loc="center right", fontsize=9)
