"""The command that makes calibration boards to print."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from recon.cli.app import OUT, app


@app.command()
def board(
    out: Annotated[Path, typer.Argument(help="PDF file to write")],
    paper: Annotated[str, typer.Option(help="a4, a3, letter, or poster: many sheets to glue")] = "a4",
    kind: Annotated[
        str, typer.Option(help="checkerboard, or charuco, which may be partly hidden")
    ] = "checkerboard",
    columns: Annotated[int, typer.Option(help="Inner corners along the longer side")] = 9,
    rows: Annotated[int, typer.Option(help="Inner corners along the shorter side")] = 6,
    square_mm: Annotated[float | None, typer.Option(help="Side of a square; the largest that fits")] = None,
    marker_mm: Annotated[float | None, typer.Option(help="Side of a marker; 0.7 of a square")] = None,
    dictionary: Annotated[str | None, typer.Option(help="Markers, such as 4x4_250 (which is taken)")] = None,
    pages: Annotated[str, typer.Option(help="A poster's sheets: a4, a3 or letter")] = "a4",
) -> None:
    """Make a calibration board to print at true scale, with rulers, instructions and its lines for rig.toml."""
    from calibration.board_form import measured_lines
    from calibration.sheets import board_for_paper, plan_poster, plan_sheet, write_sheets
    from calibration.sheets.words import READING_U_MM

    made = board_for_paper(
        paper, kind=kind, columns=columns, rows=rows, square_mm=square_mm, marker_mm=marker_mm,
        dictionary=dictionary,
    )  # fmt: skip
    plan = plan_poster(made, pages) if paper == "poster" else plan_sheet(made, paper)
    write_sheets(out, plan)
    count = f"{len(plan.pages)} sheets and a guide" if plan.is_poster else "one sheet"
    OUT.print(f"board: {out}, {count} of {plan.paper} paper, squares of {made.square_m * 1e3:g} mm")
    OUT.print("print at 100 %, measure, and write into rig.toml with your own reading as measured_mm:")
    for line in measured_lines(made, max(made.columns, made.rows) + 1, READING_U_MM):
        OUT.print(line, markup=False)
