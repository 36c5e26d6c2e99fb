"""The command on a rig that does not stand yet: plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from recon.cli.app import ERR, OUT, app, progress_bars, table_of

if TYPE_CHECKING:
    from recon.planning import Forecast, Planner, Suggestion


@app.command()
def plan(
    plan: Annotated[Path, typer.Argument(help="The description of the rig to be, a plan.toml")],
    out: Annotated[
        Path | None, typer.Option(help="Folder for pictures and forecast.json; beside the plan if not given")
    ] = None,
) -> None:
    """Foretell what a rig will measure, and suggest better places, before anyone climbs a ladder."""
    from recon.planning import Planner, load_plan, suggest
    from recon.planning.notes import CAUTIONS, move_text
    from recon.planning.pictures import save_pictures
    from recon.planning.record import save_forecast

    planner = Planner(load_plan(plan))
    with progress_bars() as tell:
        suggestion = suggest(planner, tell)
    folder = out if out is not None else plan.parent / f"{plan.stem}_forecast"
    if suggestion.before is None:
        ERR.print(f"note: as it stands the plan cannot be calibrated: {suggestion.why_not}", soft_wrap=True)
    else:
        _print_forecast(planner, suggestion.before, "As planned")
    for k, move in enumerate(suggestion.moves, 1):
        OUT.print(f"move {k}: {move_text(move)}", soft_wrap=True)
    if suggestion.moves or suggestion.before is None:
        _print_forecast(planner, suggestion.after, "After the moves")
    else:
        OUT.print("No single exchange among the allowed places gains enough to be worth it.")
    _print_boards(planner, suggestion)
    OUT.print("\nBefore anything is put up:")
    for caution in CAUTIONS:
        OUT.print(f"- {caution}", soft_wrap=True)
    OUT.print(f"\nforecast: {save_forecast(planner, suggestion, folder)}")
    for path in save_pictures(planner, suggestion, folder):
        OUT.print(f"picture: {path}")


def _print_forecast(planner: Planner, forecast: Forecast, title: str) -> None:
    from recon.planning.exposure import exposure_rows, shutter_text
    from recon.planning.notes import place_text, remarks
    from recon.wording import expanded_text

    athlete = f"invented athlete, {planner.plan.height_m:g} m, {planner.plan.handedness}-handed"
    OUT.print(f"\n[bold]{title}[/bold] ({athlete})")
    cameras = table_of("camera", "place", "streak of the racket tip", "exposure at most")
    for slot, row in zip(forecast.choice, exposure_rows(planner, forecast), strict=True):
        streak = f"{row.planned_blur_px:.1f} px at {shutter_text(row.planned_s)}"
        cameras.add_row(row.camera, place_text(planner.place_m(slot)), streak, shutter_text(row.limit_s))
    OUT.print(cameras)
    table = table_of("measure", "u (k = 2)", "the rig's part", "goal for it", "limited by")
    for m in forecast.measures:
        told = (
            ("cannot be told", "") if m.unseen else tuple(expanded_text(u, m.row.unit) for u in (m.u, m.rig_u))
        )
        table.add_row(m.row.label, *told, expanded_text(m.row.goal / 2, m.row.unit), m.cause)
    OUT.print(table)
    for remark in remarks(planner, forecast):
        OUT.print(f"note: {remark}", soft_wrap=True)


def _print_boards(planner: Planner, suggestion: Suggestion) -> None:
    OUT.print("\nWhat calibration alone adds around the server (k = 1):")
    table = table_of("shared board views", "place in the court mm", "shapes mm")
    for row in planner.board_rows(suggestion.after):
        table.add_row(str(row.views), f"{1e3 * row.court_u_m:.1f}", f"{1e3 * row.shape_u_m:.2f}")
    OUT.print(table)
