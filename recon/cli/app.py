"""What all commands share: the application object, the two consoles, progress bars, tables and notes."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table

app = typer.Typer(
    help="True 3D measures of a tennis serve from two or three cameras, each with its uncertainty.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
# into a file or pipe nothing knows the width; 120 columns hold every table without folding
OUT = Console(highlight=False, width=None if sys.stdout.isatty() else 120)
ERR = Console(stderr=True, highlight=False)

RigFolder = Annotated[Path, typer.Argument(help="Rig folder with its rig.toml")]
SessionFolder = Annotated[Path, typer.Argument(help="Session folder with its session.toml")]


@contextmanager
def progress_bars() -> Iterator[Callable[[str, int, int], None]]:
    """A bar per label; on a terminal only, so that logs stay readable."""
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=ERR) as bars:
        tasks: dict[str, TaskID] = {}

        def tell(label: str, done: int, total: int) -> None:
            if label not in tasks:
                tasks[label] = bars.add_task(label, total=total)
            bars.update(tasks[label], completed=done, total=total)

        yield tell


def now_utc() -> str:
    """Date and time of this moment, ISO 8601 in UTC; the command line alone reads the clock."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def table_of(*heads: str) -> Table:
    """An empty table with these column heads."""
    table = Table(box=None, pad_edge=False)
    for head in heads:
        table.add_column(head, overflow="fold")
    return table


def print_notes(flags: tuple[str, ...]) -> None:
    """One line per flag, to the error stream."""
    for flag in flags:
        ERR.print(f"note: {flag}", markup=False)  # "[video_rate]" is a key, not a colour
