"""What holds for every page that the program writes: whole, well formed, fetching nothing."""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser


class _Balance(HTMLParser):
    """Every opened element is closed in turn; `ids` are all that were given."""

    alone = frozenset({"meta", "img", "br", "link", "input", "hr"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.ids: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [v for k, v in attrs if k == "id" and v]
        if tag not in self.alone:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass  # <circle …/> closes itself

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(f"</{tag}> at {self.getpos()}")


def text_of(page: str) -> str:
    """What a page says, without tags and style."""
    bare = re.sub(r"<style>.*?</style>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", bare)))


def check_whole(page: str) -> None:
    """Well formed, every id once, no script, nothing fetched, nothing that was left empty by mistake."""
    parser = _Balance()
    parser.feed(page)
    assert parser.wrong == [] and parser.open == []
    assert len(parser.ids) == len(set(parser.ids))
    assert page.startswith("<!doctype html>") and "<script" not in page
    assert set(re.findall(r"\w+://[^\s\"'<]+", page)) <= {"http://www.w3.org/2000/svg"}
    assert not re.search(r"\b(?:nan|inf|None|Undefined)\b", text_of(page))
