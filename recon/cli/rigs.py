"""Commands on a rig folder: lens, rig, court."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from recon.cli.app import ERR, OUT, RigFolder, app, now_utc, print_notes, progress_bars, table_of


@app.command()
def lens(rig: RigFolder, camera: Annotated[str | None, typer.Option(help="Only this camera")] = None) -> None:
    """Calibrate the lenses of a rig from checkerboard footage."""
    from calibration import run_lens

    with progress_bars() as tell:
        found = run_lens(rig, camera, tell)
    table = table_of("camera", "lens", "focal length px", "views", "rms px", "left out px", "notes")
    for item in found:
        u = float(item.covariance[0, 0]) ** 0.5
        focal = f"{item.K_px[0, 0]:.1f} ± {2 * u:.1f}"
        left_out = " ".join(f"{model} {px:.2f}" for model, px in item.held_out_px.items())
        table.add_row(
            item.camera,
            item.model,
            focal,
            str(item.views_used),
            f"{item.rms_px:.2f}",
            left_out,
            "; ".join(item.flags),
        )
    OUT.print(table)
    OUT.print("left out: by how much each lens model misses corners of views that it was not fitted to")


@app.command()
def rig(rig: RigFolder) -> None:
    """Place all cameras in one frame from shared board footage (lenses first, where missing)."""
    from calibration import read_rig_folder, run_rig

    with progress_bars() as tell:
        found = run_rig(rig, tell)
    table = table_of("camera", "rms px", "x m", "y m", "z m")
    for item, rms in zip(found.cameras, found.camera_rms_px, strict=True):
        table.add_row(item.name, f"{rms:.2f}", *(f"{v:.3f}" for v in item.centre_m()))
    OUT.print(table)
    OUT.print(f"{found.board_views} board views; places in the first camera's frame")
    if found.held_out_px is not None and found.held_out_length_m is not None:
        OUT.print(
            f"views left out of the fit: corners predicted to {found.held_out_px:.2f} px, "
            f"the board's sides and diagonals to {1e3 * found.held_out_length_m:.1f} mm"
        )
    OUT.print(f"what the fit leaves over: {read_rig_folder(rig).residuals_path}")
    print_notes(found.flags)


@app.command()
def court(
    rig: RigFolder,
    clicks: Annotated[Path | None, typer.Option(help="Use this file of clicked points, open no page")] = None,
    port: Annotated[int, typer.Option(help="Port of the clicking page; 0 takes a free one")] = 0,
) -> None:
    """Place the rig in the court: click named court points in each picture, or give a file of clicks."""
    from calibration import CalibratedRig, read_rig_folder, run_court

    def register() -> CalibratedRig:
        with progress_bars() as tell:
            return run_court(rig, clicks, tell, date_utc=now_utc())

    if clicks is None:
        from recon.viewer.click_page import click_court

        click_court(rig, register, port=port, on_ready=lambda url: OUT.print(f"clicking page: {url}"))
        if not read_rig_folder(rig).clicks_path.is_file():
            ERR.print("no points were clicked; the court is not registered")
            raise typer.Exit(2)
    found = register()
    if found.court is not None:
        worst = found.court.worst_u_m
        OUT.print(
            f"{sum(c.used for c in found.court.clicks)} clicks, rms {found.court.rms_px:.2f} px"
            + (f"; position in the serve volume known to {1e3 * worst:.1f} mm or better (u)" if worst else "")
        )
        OUT.print(f"where it is known how well: {read_rig_folder(rig).position_u_path}")
    print_notes(found.flags)
