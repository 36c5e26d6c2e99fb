"""Pages out of templates: one file each, with its style inside, that fetches nothing."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from recon.store import write_whole

_HERE = Path(__file__).resolve().parent


def filled(template: str, **given: object) -> str:
    """A template of this folder with what it asks for, as HTML text; `style` is given to every one."""
    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    style = (_HERE / "page.css").read_text(encoding="utf-8")
    return environment.get_template(template).render(style=style, **given).strip() + "\n"


def write_page(path: Path, text: str) -> None:
    """Write a page, whole or not at all."""
    write_whole(path, lambda part: part.write_text(text, encoding="utf-8"))
