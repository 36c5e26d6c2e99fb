"""Pages on which points are clicked, served by the test's own process and opened in a browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from queue import Queue
from threading import Thread
from typing import Any
from urllib.request import Request, urlopen

from recon.viewer.click_page import Register, click_court
from tests.support.chromium import Visit, visit

_WAIT_S = 30


def clicking_page(folder: Path, register: Register, context: Any) -> AbstractContextManager[Visit]:
    """The clicking page of a rig folder."""
    return served_page(context, click_court, folder, register)


@contextmanager
def served_page(context: Any, serve: Callable[..., object], *what: object) -> Iterator[Visit]:
    """A local page with a list of points; it asked nobody else and raised no error when it is left."""
    ready: Queue[str] = Queue()
    keys = {"open_browser": False, "on_ready": ready.put}
    serving = Thread(target=serve, args=what, kwargs=keys)
    serving.start()
    url = ready.get(timeout=_WAIT_S)
    try:
        with visit(context, url) as seen:
            seen.page.wait_for_selector("#points li")
            yield seen
    finally:
        if serving.is_alive():
            head = {"Content-Type": "application/json"}
            with suppress(OSError):  # the page's own "finish" may be about to end it
                urlopen(Request(f"{url}finish", b"null", head), timeout=_WAIT_S).close()
        serving.join(_WAIT_S)
    assert not serving.is_alive()
    assert seen.from_elsewhere() == []
    assert seen.errors == []
