"""Commands on a rig folder: lens, rig, court."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from recon.cli.app import ERR, OUT, RigFolder, app, now_utc, print_notes, progress_bars, table_of

if TYPE_CHECKING:  # commands import what they need when they run: --help stays quick
    from calibration import CalibratedRig, CourtCheck


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
    click: Annotated[
        bool, typer.Option("--click", help="Open the clicking page even if the lines alone might do")
    ] = False,
    lines: Annotated[
        bool, typer.Option("--lines/--no-lines", help="Refine by the painted lines in the court pictures")
    ] = True,
) -> None:
    """Place the rig in the court by its painted lines; clicked points help, or take their place.

    Without clicks the lines are searched for in the pictures. Where that fails, a page opens to click points.
    """
    from calibration import NotMeasurable, read_rig_folder, run_court

    def register() -> CalibratedRig:
        with progress_bars() as tell:
            return run_court(rig, clicks, tell, date_utc=now_utc(), lines="auto" if lines else False)

    folder = read_rig_folder(rig)
    pictured = any(c.court_picture is not None and c.court_picture.exists() for c in folder.cameras)
    if lines and not click and clicks is None and pictured and not folder.clicks_path.is_file():
        try:
            _tell_court(register())
            return
        except NotMeasurable as refusal:
            ERR.print(f"note: {refusal}", soft_wrap=True)
    if clicks is None:
        from recon.viewer.click_page import click_court

        click_court(rig, register, port=port, on_ready=lambda url: OUT.print(f"clicking page: {url}"))
        if not folder.clicks_path.is_file():
            ERR.print("no points were clicked; the court is not registered")
            raise typer.Exit(2)
    _tell_court(register())


def _tell_court(found: CalibratedRig) -> None:
    """What the registration rests on, and how well the court is known."""
    check = found.court
    if check is not None:
        clicks = f"{sum(c.used for c in check.clicks)} clicks" if check.clicks else ""
        painted = f"{sum(line.held for line in check.lines)} painted lines" if check.lines else ""
        rests = " and ".join(part for part in (painted, clicks) if part)
        known = (
            f"; across the baseline known to {1e3 * check.baseline_u_m:.1f} mm" if check.baseline_u_m else ""
        )
        worst = f", anywhere in the serve volume to {1e3 * check.worst_u_m:.1f} mm" if check.worst_u_m else ""
        OUT.print(f"{rests}, rms {check.rms_px:.2f} px{known}{worst} (u)")
        if check.lines:
            OUT.print(_line_table(check))
    print_notes(found.flags)


def _line_table(check: CourtCheck) -> Table:
    """A row per painted line; offsets and widths with their expanded uncertainty (k = 2)."""
    table = table_of("line", "places", "not found", "rms px", "width mm", "off the rules mm")
    for line in check.lines:
        off = "" if line.offset_m is None or line.offset_u_m is None else (
            f"{1e3 * line.offset_m:+.0f} ± {2e3 * line.offset_u_m:.0f}"
        )  # fmt: skip
        width = f"{1e3 * line.width_m:.0f} ± {2e3 * line.width_u_m:.0f}" if line.samples else ""
        rms = f"{line.rms_px:.2f}" if line.samples else ""
        table.add_row(line.line, str(line.samples), str(line.rejected), rms, width, off)
    return table
