"""Commands on a session folder: measure, show, report, export; and the demo."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from recon.cli.app import ERR, OUT, SessionFolder, app, print_notes, progress_bars, table_of


@app.command()
def measure(
    session: SessionFolder,
    full: Annotated[
        bool, typer.Option("--full", help="As many looks at every frame as pay: slower, surer, for reports")
    ] = False,
    model: Annotated[
        str, typer.Option(help="Size of the pose model: heavy, or full, which is smaller")
    ] = "heavy",
    workers: Annotated[int, typer.Option(help="Processes that read video")] = 2,
    rig_version: Annotated[
        str | None, typer.Option(help="Measure with this calibration from the rig's history (its hash)")
    ] = None,
    as_detected: Annotated[
        bool,
        typer.Option(
            "--as-detected", help="Leave body points where the detector puts them, off the joint centres"
        ),
    ] = False,
) -> None:
    """Measure one serve: clocks, points in space, motion, instants and measures. Needs no network."""
    from recon.pipeline import PipelineOptions, measure_session
    from recon.wording import shutter_text, value_text

    with progress_bars() as tell:
        options = PipelineOptions(
            mode="full" if full else "quick",
            variant=model,
            workers=workers,
            rig_version=rig_version,
            joint_centres=not as_detected,
        )
        result = measure_session(session, options, tell)
    for clock in result.clocks.clocks:
        OUT.print(
            f"clock {clock.camera}: {clock.offset_s:+.4f} s, u {1e3 * clock.u_s:.2f} ms, from {clock.source}"
        )
        OUT.print(f"      {shutter_text(clock)}")
    table = table_of("measure", "value (k = 2)", "note")
    for item in result.measures.measures:
        table.add_row(item.label, value_text(item), item.note or item.reason)
    OUT.print(table)
    print_notes((*result.rig.flags, *result.told, *result.quality))
    if result.quality:
        ERR.print("measured, but below the quality gate: read the notes before relying on a value")
        raise typer.Exit(3)


@app.command()
def racket(
    session: SessionFolder,
    port: Annotated[int, typer.Option(help="Port of the page; 0 takes a free one")] = 0,
) -> None:
    """Click the racket in a few frames of a measured serve, where it carries no tape or the tape was lost."""
    from recon.pipeline import filmed_cameras
    from recon.result import load_result
    from recon.viewer.racket_page import click_racket

    result = load_result(session)
    path = click_racket(
        result,
        filmed_cameras(result),
        port=port,
        on_ready=lambda url: OUT.print(f"page: {url} (its button or Ctrl-C ends it)"),
    )
    if path.is_file():
        OUT.print(f"points: {path}; `courtplumb measure {session}` uses them", soft_wrap=True)


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
        OUT.print(f"picture: {picture}")
    elif window:
        show_window(result)
    else:
        show_in_browser(result, port=port, on_ready=lambda url: OUT.print(f"viewer: {url} (Ctrl-C ends it)"))


@app.command()
def report(session: SessionFolder) -> None:
    """Write the report of a measured serve: one HTML page that needs no network."""
    from recon.report import write_report
    from recon.result import REPORT, load_result

    result = load_result(session)
    path = result.session.derived / REPORT
    write_report(result, path)
    OUT.print(f"report: {path}")


@app.command()
def export(session: SessionFolder) -> None:
    """Write points in space, 2D keypoints and measures of a measured serve as CSV."""
    from recon.export import export_tables
    from recon.result import load_result

    for path in export_tables(load_result(session)):
        OUT.print(f"table: {path}")


@app.command()
def demo(
    out: Annotated[Path, typer.Argument(help="Folder for everything the demo makes")] = Path("build/demo"),
) -> None:
    """Render an invented academy's serves and measure them with the commands above."""
    from demo_rigs.demo import run_demo

    run_demo(
        out, partial(OUT.print, soft_wrap=True), progress_bars, lambda words: app(words, standalone_mode=False)
    )
