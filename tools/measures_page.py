"""Writes the measures' tables of docs/measures.md anew from recon/definitions.

.venv/bin/python tools/measures_page.py
"""

from __future__ import annotations

import re
from pathlib import Path

from recon.definitions.page import all_sections

PAGE = Path(__file__).resolve().parent.parent / "docs" / "measures.md"
BEGIN, END = "<!-- measures: begin, made by tools/measures_page.py -->", "<!-- measures: end -->"


def main() -> None:
    """Replaces what stands between the markers."""
    old = PAGE.read_text(encoding="utf-8")
    new = re.sub(
        f"{re.escape(BEGIN)}.*{re.escape(END)}",
        lambda _: f"{BEGIN}\n\n{all_sections()}\n\n{END}",
        old,
        flags=re.S,
    )
    PAGE.write_text(new, encoding="utf-8")


if __name__ == "__main__":
    main()
