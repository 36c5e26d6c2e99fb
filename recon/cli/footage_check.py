"""The command that asks whether a session's footage fits the rig's calibration."""

from __future__ import annotations

from typing import Annotated

import typer

from recon.cli.app import ERR, OUT, SessionFolder, app, table_of


@app.command("check-footage")
def check_footage(
    session: SessionFolder,
    seconds: Annotated[
        float, typer.Option(help="How much of each clip to watch for a wandering picture")
    ] = 3.0,
) -> None:
    """Say what is wrong with a session's footage: zoomed, cropped, turned, mirrored, exchanged, stabilised."""
    from recon.pipeline.footage import examine_with_rig_file
    from recon.session import load_session

    found = examine_with_rig_file(load_session(session), seconds)
    if not found:
        OUT.print("this session brings its own 2D points: there is no footage to check")
        return
    table = table_of("camera", "footage", "grade", "figures")
    for item in found:
        figures = ", ".join(f"{name} {value:.4g}" for name, value in item.evidence.items())
        table.add_row(item.camera, item.kind, item.grade, figures)
    OUT.print(table)
    for item in found:
        if item.grade != "fits":
            ERR.print(f"note: {item.sentence}", soft_wrap=True)
    if any(f.grade == "refused" for f in found):
        ERR.print("this footage does not fit the calibration; it will not be measured", soft_wrap=True)
        raise typer.Exit(2)
    if any(f.grade == "flagged" for f in found):
        ERR.print(
            "this footage can be measured, but the result will be marked as not to be relied on", soft_wrap=True
        )
        raise typer.Exit(3)
