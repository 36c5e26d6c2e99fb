"""The page itself: content, drawings and style joined in one file that fetches nothing."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from recon.report.content import gather
from recon.report.timeline import timeline
from recon.report.words import CAUTIONS, GRADE_MEANS, NEVER_MEASURED
from recon.result import Result
from recon.scene.body import GROUPS
from recon.store import write_whole

_HERE = Path(__file__).resolve().parent


def render_report(result: Result) -> str:
    """The page as HTML text; same result in, same text out.

    Raises BadInput for a kept picture that cannot be read.
    """
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = gather(result)
    known = [(m.words, m.t_s) for m in page.moments if m.t_s is not None]
    text = environment.get_template("page.html.j2").render(
        page=page,
        carded={card.name for card in (*page.headlines, *page.more)},
        style=(_HERE / "page.css").read_text(encoding="utf-8"),
        timeline=timeline(known),
        groups=[(words, colour) for words, colour, _ in GROUPS.values()],
        grade_means=GRADE_MEANS,
        cautions=CAUTIONS,
        never_measured=NEVER_MEASURED,
    )
    return text.strip() + "\n"


def write_report(result: Result, path: Path) -> None:
    """Write the page, whole or not at all."""
    text = render_report(result)
    write_whole(path, lambda part: part.write_text(text, encoding="utf-8"))
