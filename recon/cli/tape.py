"""The command that measures the colours of racket tape and ball in the light of a session."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import BadInput
from recon.cli.app import OUT, SessionFolder, app, print_notes, table_of

if TYPE_CHECKING:
    from recon.pipeline.tape import MeasuredTape, Shown, TapeFilm
    from recon.session import Session

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
    port: Annotated[int, typer.Option(help="Port of the page; 0 takes a free one")] = 0,
) -> None:
    """Measure the colours of racket tape and ball in pictures of that light, and write them into session.toml.

    Without a pixel on any part it opens a page in the browser to click them.
    """
    from recon.pipeline.tape import tape_film, tape_picture
    from recon.session import load_session

    loaded = load_session(session)
    named = {"tip": tip, "throat": throat, "butt": butt, "ball": ball}
    pixels = [(part, *_pixel(part, text)) for part, text in named.items() if text is not None]
    pixels += [("edge", *_pixel("edge", text)) for text in edge or ()]
    if (picture is not None and camera is not None) or (pixels and picture is None and camera is None):
        raise BadInput("tape: want either --picture FILE or --camera NAME with --time")
    if picture is not None:
        films = [tape_picture(picture)]
    else:
        films = [tape_film(loaded, name) for name in (loaded.camera_names if camera is None else [camera])]
    if pixels:
        image = films[0].at(time)
        _measure(loaded, [(image, *pixel) for pixel in pixels])
    else:
        _page(loaded, films, time, port)


def _page(session: Session, films: Sequence[TapeFilm], start_s: float, port: int) -> None:
    from recon.pipeline.tape import judge_tape
    from recon.session import load_session
    from recon.viewer.tape_page import TapeDesk, click_tape

    desk = TapeDesk(
        session.folder.resolve().name,
        films,
        lambda shown: judge_tape(load_session(session.folder), shown),
        lambda shown: _measure(load_session(session.folder), shown),
        start_s,
    )
    click_tape(desk, port=port, on_ready=lambda url: OUT.print(f"page: {url} (its button or Ctrl-C ends it)"))


def _measure(session: Session, shown: Sequence[Shown]) -> str:
    """Measure, write and print; what was written, in a sentence."""
    from recon.pipeline.tape import measure_tape

    found = measure_tape(session, shown)
    _tell(session, found)
    hues = ", ".join(f"{part} {hue:.0f}°" for part, hue in found.hues.hues_deg.items())
    return (
        f"Written into session.toml: {hues}; a colour may differ by {found.hues.tolerance_deg:g}°. "
        f"What was taken as tape: {found.picture.relative_to(session.folder)}."
    )


def _tell(session: Session, found: MeasuredTape) -> None:
    table = table_of("part", "hue", "spread", "saturation", "brightness", "pixels")
    for patch in found.patches:
        table.add_row(
            patch.part, f"{patch.hue_deg:.0f}°", f"{patch.spread_deg:.0f}°", f"{patch.saturation:.0%}",
            f"{patch.value:.0f} of 255", f"{patch.inside.sum()}",
        )  # fmt: skip
    OUT.print(table)
    path = session.folder / "session.toml"
    OUT.print(f"[tape] in {path}: tolerance {found.hues.tolerance_deg:g}°", markup=False)
    OUT.print(f"what was taken as tape: {found.picture}", soft_wrap=True)
    print_notes(found.cautions)


def _pixel(part: str, text: str) -> tuple[float, float]:
    try:
        u, v = (float(x) for x in text.split(","))
    except ValueError:
        raise BadInput(f"--{part}: want a pixel as U,V, for one 640,360; got {text!r}") from None
    return u, v
