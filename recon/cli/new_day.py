"""The command that starts a rig folder for a new day from kept lenses and today's pictures."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from recon.cli.app import OUT, RigFolder, app


@app.command("new-day")
def new_day(
    rig: RigFolder,
    today: Annotated[Path, typer.Argument(help="The new rig folder, to be made")],
    pictures: Annotated[
        Path, typer.Option(help="Folder with a picture or video of the court per camera, named as the camera")
    ],
) -> None:
    """Start a rig folder for today: the lenses of RIG, today's court pictures, no board."""
    from calibration.new_day import start_day

    made = start_day(rig, today, pictures)
    OUT.print(f"{made.root}: {', '.join(made.camera_names)}, lenses taken over")
    OUT.print(f"now click the court points: courtplumb court {made.root}", soft_wrap=True)
