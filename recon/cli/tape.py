"""The command that measures the colours of racket tape and ball in the light of a session."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from calibration.errors import BadInput
from recon.cli.app import OUT, SessionFolder, app, print_notes, table_of

_PIXEL = "U,V"


def _on(what: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(metavar=_PIXEL, help=f"A pixel on {what}: column, row")
    return option


@app.command()
def tape(
    session: SessionFolder,
    picture: Annotated[Path | None, typer.Option(help="A picture filmed in that light")] = None,
    camera: Annotated[str | None, typer.Option(help="Or the camera whose video shows it")] = None,
    time: Annotated[float, typer.Option(help="and when, seconds from its first picture")] = 0.0,
    tip: Annotated[str | None, _on("the tape at the racket's tip")] = None,
    throat: Annotated[str | None, _on("the tape at its throat")] = None,
    butt: Annotated[str | None, _on("the tape at the end of its handle")] = None,
    ball: Annotated[str | None, _on("the ball")] = None,
    edge: Annotated[list[str] | None, _on("the tape at a side of its head; once or twice")] = None,
) -> None:
    """Measure the colours of racket tape and ball in one picture, and write them into session.toml."""
    from calibration import picture as picture_in
    from recon.pipeline.tape import measure_tape, picture_of
    from recon.session import load_session

    loaded = load_session(session)
    if (picture is None) == (camera is None):
        raise BadInput("tape: want either --picture FILE or --camera NAME with --time")
    image = picture_in(picture) if picture is not None else picture_of(loaded, str(camera), time)
    named = {"tip": tip, "throat": throat, "butt": butt, "ball": ball}
    shown = [(part, *_pixel(part, text)) for part, text in named.items() if text is not None]
    shown += [("edge", *_pixel("edge", text)) for text in edge or ()]
    found = measure_tape(loaded, image, shown)
    table = table_of("part", "hue", "spread", "saturation", "brightness", "pixels")
    for patch in found.patches:
        table.add_row(
            patch.part, f"{patch.hue_deg:.0f}°", f"{patch.spread_deg:.0f}°", f"{patch.saturation:.0%}",
            f"{patch.value:.0f} of 255", f"{patch.inside.sum()}",
        )  # fmt: skip
    OUT.print(table)
    OUT.print(f"[tape] in {session / 'session.toml'}: tolerance {found.hues.tolerance_deg:g}°", markup=False)
    OUT.print(f"what was taken as tape: {found.picture}", soft_wrap=True)
    print_notes(found.cautions)


def _pixel(part: str, text: str) -> tuple[float, float]:
    try:
        u, v = (float(x) for x in text.split(","))
    except ValueError:
        raise BadInput(f"--{part}: want a pixel as U,V, for one 640,360; got {text!r}") from None
    return u, v
