"""Measured tables into a page of the documentation: markdown between a pair of markers, the rest untouched."""

from __future__ import annotations

import argparse
import platform
import re
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path

from calibration.files import write_atomically

PAGE = Path(__file__).resolve().parent.parent / "docs" / "evidence" / "calibration.md"


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def put(page: Path, block: str, text: str) -> None:
    """Replaces what stands between the block's markers. Raises ValueError where the page has none."""
    begin, end = f"<!-- {block}: begin -->", f"<!-- {block}: end -->"
    old = page.read_text(encoding="utf-8")
    pattern = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.S)
    if not pattern.search(old):
        raise ValueError(f"{page}: want the markers {begin} and {end}")
    write_atomically(page, pattern.sub(lambda _: f"{begin}\n\n{text}\n\n{end}", old))


def with_options(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Adds what every benchmark is told from outside: where it ran and when."""
    parser.add_argument("--machine", required=True, help="what it runs on, as the page shall say")
    parser.add_argument("--date", required=True, help="YYYY-MM-DD, as the page shall say")
    parser.add_argument("--page", type=Path, default=PAGE, help="the page to write into (default: %(default)s)")
    return parser


def circumstances(options: argparse.Namespace, packages: Sequence[str]) -> str:
    """One line: date, machine, versions."""
    versions = ", ".join(f"{name} {metadata.version(name)}" for name in packages)
    return f"*Measured {options.date} on {options.machine}; Python {platform.python_version()}, {versions}.*"
