"""The page itself: content, drawings and style joined in one file that fetches nothing."""

from __future__ import annotations

from pathlib import Path

from recon.report.content import gather
from recon.report.template import filled, write_page
from recon.report.timeline import timeline
from recon.report.words import CAUTIONS, GRADE_MEANS, NEVER_MEASURED
from recon.result import Result
from recon.scene.body import GROUPS


def render_report(result: Result) -> str:
    """The page as HTML text; same result in, same text out.

    Raises BadInput for a kept picture that cannot be read.
    """
    page = gather(result)
    known = [(m.words, m.t_s) for m in page.moments if m.t_s is not None]
    return filled(
        "page.html.j2",
        page=page,
        carded={card.name for card in (*page.headlines, *page.more)},
        timeline=timeline(known),
        groups=[(words, colour) for words, colour, _ in GROUPS.values()],
        grade_means=GRADE_MEANS,
        cautions=CAUTIONS,
        never_measured=NEVER_MEASURED,
    )


def write_report(result: Result, path: Path) -> None:
    """Write the page, whole or not at all."""
    write_page(path, render_report(result))
