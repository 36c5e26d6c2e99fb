"""A headless Chromium for tests of pages, and programs that serve them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
_WAIT_S = 60


def chromium() -> str:
    """Path of the browser. Skips the test where there is none."""
    named = os.environ.get("COURTPLUMB_CHROMIUM")
    found = named or shutil.which("chromium") or shutil.which("chromium-browser")
    if not found:
        pytest.skip(
            "no Chromium: install it (Debian: apt-get install chromium) or name it in COURTPLUMB_CHROMIUM"
        )
    return found


class Visit:
    """One page, with everything it asked for and every error it raised."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.asked: list[str] = []
        self.errors: list[str] = []

    def from_elsewhere(self) -> list[str]:
        """Requests that left this machine."""
        here = (
            "http://localhost:",
            "ws://localhost:",
            "http://127.0.0.1:",
            "ws://127.0.0.1:",
            "data:",
            "blob:",
        )
        return [url for url in self.asked if not url.startswith(here)]


@contextmanager
def browser(profile: Path, size_px: tuple[int, int] = (1400, 880)) -> Iterator[Any]:
    """A browser with a fresh profile, closed at the end."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        context = playwright.chromium.launch_persistent_context(
            str(profile), executable_path=chromium(), headless=True, args=list(_FLAGS),
            viewport={"width": size_px[0], "height": size_px[1]},
        )  # fmt: skip
        try:
            yield context
        finally:
            context.close()


@contextmanager
def visit(context: Any, url: str) -> Iterator[Visit]:
    """Open a page in a browser; it is closed at the end."""
    page = context.new_page()
    seen = Visit(page)
    page.on("request", lambda request: seen.asked.append(request.url))
    page.on("websocket", lambda socket: seen.asked.append(socket.url))
    page.on("pageerror", lambda error: seen.errors.append(str(error)))
    try:
        page.goto(url)
        yield seen
    finally:
        page.close()


@contextmanager
def served(program: str, *arguments: str) -> Iterator[str]:
    """Run a Python program that prints the address of the page it serves as its first line; yields it."""
    chromium()
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(
        [sys.executable, "-c", program, *arguments], cwd=ROOT, env=environment, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stdout is not None and process.stderr is not None
        url = process.stdout.readline().strip()
        if not url:
            process.kill()
            pytest.fail(f"the page was not served:\n{process.stderr.read()[-3000:]}")
        yield url
    finally:
        process.terminate()
        process.communicate(timeout=_WAIT_S)
