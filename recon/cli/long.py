"""The command for a session of many serves."""

from __future__ import annotations

from typing import Annotated

import typer

from recon.cli.app import ERR, OUT, SessionFolder, app, print_notes, progress_bars, table_of


@app.command()
def serves(
    session: SessionFolder,
    cut_only: Annotated[bool, typer.Option("--cut-only", help="Cut the serves apart, measure none")] = False,
    workers: Annotated[int, typer.Option(help="Processes that read video")] = 2,
) -> None:
    """Find the serves in a long session, cut them apart, and measure one after the other. Needs no network."""
    from calibration.errors import CourtplumbError
    from recon.pipeline import PipelineOptions, cut_serves, measure_session

    with progress_bars() as tell:
        cut = cut_serves(session, progress=tell, workers=workers)
        found = cut.serves
        notes: list[str] = []
        doubtful = False
        table = table_of("serve", "contact near", "cameras", "measured", "session folder")
        for done, serve in enumerate(found):
            tell("measuring serves", done, len(found))
            said = "not asked for"
            if not cut_only:
                try:
                    result = measure_session(serve.folder, PipelineOptions(workers=workers))
                    values = [m for m in result.measures.measures if m.value is not None]
                    said = f"{len(values)} of {len(result.measures.measures)}"
                    own, doubtful = (*result.told, *result.quality), doubtful or bool(result.quality)
                except CourtplumbError as error:
                    said, own, doubtful = "no", (str(error),), True
                notes += [f"serve {serve.number}: {note}" for note in own]
            cameras = ", ".join(serve.spans_s)
            table.add_row(str(serve.number), f"{serve.contact_s:.1f} s", cameras, said, str(serve.folder))
        tell("measuring serves", len(found), len(found))
    OUT.print(table)
    print_notes((*cut.notes(), *notes))
    if doubtful:
        ERR.print("some serves are below the quality gate: read the notes before relying on a value")
        raise typer.Exit(3)
