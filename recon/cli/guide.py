"""The command that watches board footage while it is filmed."""

from __future__ import annotations

import threading
import webbrowser
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from calibration.errors import BadInput
from recon.cli.app import ERR, OUT, RigFolder, app, table_of

if TYPE_CHECKING:
    from calibration.guide import GuideSession, Watch


@app.command()
def guide(
    rig: RigFolder,
    camera: Annotated[str | None, typer.Option(help="Only this camera's lens footage")] = None,
    source: Annotated[
        list[str] | None,
        typer.Option(
            help="NAME=PATH, device (/dev/video0) or address in the local network (rtsp://192.168…); "
            "several times for several cameras. Without it: the footage that rig.toml names, waited for"
        ),
    ] = None,
    page: Annotated[bool, typer.Option("--page/--no-page", help="Open the live page")] = True,
    port: Annotated[int, typer.Option(help="Port of the page; 0 takes a free one")] = 0,
    idle: Annotated[float, typer.Option(help="A file that has not grown for so many seconds has ended")] = 10.0,
) -> None:
    """Watch board footage while it is filmed: where to hold the board next, and when it is enough."""
    from calibration.folder import read_rig_folder
    from calibration.guide import GuideSession, Patience, sources_of

    folder = read_rig_folder(rig)
    stop = threading.Event()
    patience = Patience(idle_s=idle, stopped=stop.is_set, note=lambda text: ERR.print(f"note: {text}"))
    session = GuideSession(folder, sources_of(folder, camera, _given(source or [])), patience)
    for watch in session.watches:
        OUT.print(f"watching {watch.source.label}: {watch.source.where}", soft_wrap=True)
    OUT.print("Ctrl-C ends it with the summary")
    try:
        _watch(session, stop, port if page else None)
    except KeyboardInterrupt:
        stop.set()
    _summary(session)
    if not session.enough():
        raise typer.Exit(3)


def _given(texts: list[str]) -> dict[str, str]:
    """NAME=WHERE, each camera once."""
    out: dict[str, str] = {}
    for text in texts:
        name, sign, where = text.partition("=")
        if not (name and sign and where):
            raise BadInput(f"--source: want NAME=PATH_OR_DEVICE, got {text!r}")
        if name in out:
            raise BadInput(f"--source: camera {name!r} is given twice")
        out[name] = where
    return out


def _watch(session: GuideSession, stop: threading.Event, port: int | None) -> None:
    told: dict[str, str] = {}

    def tell(watch: Watch) -> None:
        """One line each time a source's advice changes; the page, if there is one, shows the rest."""
        from calibration.guide import advice, counted

        standing = session.standing(watch)
        if standing is None or not watch.source.for_lens:
            return
        text = ": ".join(advice(standing))
        if told.get(watch.source.label) != text:
            told[watch.source.label] = text
            OUT.print(f"{watch.source.label} ({counted(standing.views, 'view')}): {text}", soft_wrap=True)

    if port is None:
        session.run(tell)
        return
    from recon.viewer.guide_page import GuidePage

    with GuidePage(session, stop.set, port) as shown:
        OUT.print(f"page: {shown.url}")
        webbrowser.open(shown.url)
        session.run(tell)


def _summary(session: GuideSession) -> None:
    from calibration.guide import REJECTED

    table = table_of("footage", "views", "picture reached", "worst u px", *(str(v) for v in REJECTED), "enough")
    for watch in session.watches:
        standing = session.standing(watch)
        if standing is None:
            why = "no picture came" if watch.fault is None else "stopped"
            table.add_row(watch.source.label, "0", "", "", *("" for _ in REJECTED), why)
            continue
        lens = watch.source.for_lens
        u = "" if standing.worst_u_px is None or not lens else f"{standing.worst_u_px:.2f}"
        counts = (str(standing.counts.get(v, 0)) for v in REJECTED)
        reached = f"{100 * standing.coverage.share:.0f} %"
        verdict = ("yes" if standing.enough else "not yet") if lens else f"{len(watch.holds.done)} holds"
        table.add_row(watch.source.label, str(standing.views), reached, u, *counts, verdict)
    OUT.print(table)
    for watch in session.watches:
        _missing(session, watch)
    for number, shared in session.shared().items():
        for (a, b), holds in shared.pairs.items():
            OUT.print(f"shared set {number + 1}: {a} and {b} saw {holds} holds together")
        for line in shared.missing:
            OUT.print(f"missing: {line}", soft_wrap=True)
    for note in session.notes:
        ERR.print(f"note: {note}", soft_wrap=True)
    for watch in session.watches:
        path: Path = watch.source.picture_path(session.folder.root)
        if path.is_file():
            OUT.print(f"picture: {path}", soft_wrap=True)


def _missing(session: GuideSession, watch: Watch) -> None:
    standing = session.standing(watch)
    if watch.fault is not None:
        ERR.print(f"{watch.source.label}: {watch.fault}", soft_wrap=True)
    elif standing is None:
        OUT.print(f"missing: {watch.source.label}: no picture came from {watch.source.where}", soft_wrap=True)
    elif watch.source.for_lens and not standing.enough:
        OUT.print(f"missing: {watch.source.label}: {standing.why}", soft_wrap=True)
        for number, suggestion in enumerate(() if standing.stuck else standing.missing, start=1):
            OUT.print(f"  {number}. {suggestion.words}", soft_wrap=True)
