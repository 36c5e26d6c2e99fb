"""The command that checks a rig's scale with objects of known length."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from recon.cli.app import OUT, RigFolder, app, print_notes, table_of


@app.command()
def length(
    rig: RigFolder,
    clicks: Annotated[Path, typer.Argument(help="CSV file: camera,name,end,u_px,v_px,length_m,u_m")],
    click_u_px: Annotated[
        float, typer.Option(help="Standard uncertainty of a click along each axis, px")
    ] = 0.7,
) -> None:
    """Check the rig's scale: objects of known length, both ends clicked in two or more pictures."""
    from calibration import check_lengths, load_rig, read_lengths
    from calibration.folder import read_rig_folder

    folder = read_rig_folder(rig)
    court = folder.calibrated_rig_path
    checks = check_lengths(
        load_rig(court if court.exists() else folder.rig_path), read_lengths(clicks), click_u_px
    )
    table = table_of("object", "measured m", "known m", "difference mm", "in standard uncertainties")
    for c in checks:
        table.add_row(
            c.name, f"{c.measured_m:.4f} ± {2 * c.u_m:.4f}", f"{c.known_m:.4f} ± {2 * c.known_u_m:.4f}",
            f"{1e3 * (c.measured_m - c.known_m):+.1f}", f"{c.z:+.1f}",
        )  # fmt: skip
    OUT.print(table)
    print_notes(tuple(c.flag for c in checks if c.flag))
