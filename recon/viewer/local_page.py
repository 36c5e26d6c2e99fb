"""A page of this program for this machine only: answers of fixed kinds, refusals to everybody else."""

from __future__ import annotations

import json
import threading
import webbrowser
from collections.abc import Callable, Mapping
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from typing import Any, Generic, Protocol, TypeVar

from calibration import CourtplumbError

_LOCAL_HOSTS = ("localhost", "127.0.0.1")
_BODY_LIMIT = 1_000_000
_KINDS = {"html": "text/html", "css": "text/css", "js": "text/javascript"}


def assets(page: str, *shared: str) -> Mapping[str, tuple[str, str]]:
    """Path -> (file beside this one, content type) of a page made of `page`.html, .css and .js.

    shared: names of further files, which it has in common with other pages.
    """
    files = {"/": f"{page}.html"} | {f"/{name}": name for name in (f"{page}.css", f"{page}.js", *shared)}
    return {path: (name, f"{_KINDS[name.rpartition('.')[2]]}; charset=utf-8") for path, name in files.items()}


class LocalHandler(BaseHTTPRequestHandler):
    """A page says in `get` and `post` what it answers; the rest is the same for all.

    get, post: whether the path was theirs.
    """

    assets: Mapping[str, tuple[str, str]] = {}

    def get(self, path: str) -> bool:
        """Answer a question, if it is one of this page's."""
        return False

    def post(self, path: str, body: object) -> bool:
        """Take an order with its JSON body, if it is one of this page's."""
        return False

    def do_GET(self) -> None:
        if self._from_here():
            self._answered(self._get)

    def _get(self) -> bool:
        path = self.path.partition("?")[0]
        if path not in self.assets:
            return self.get(path)
        file, kind = self.assets[path]
        self.answer(200, resources.files("recon.viewer").joinpath(file).read_bytes(), kind)
        return True

    def do_POST(self) -> None:
        if not self._from_here():
            return
        # a page of another origin cannot send this type without asking first, and is never answered yes
        if self.headers.get("Content-Type") != "application/json":
            self.answer_json(415, {"error": "want application/json"})
            return
        self._answered(self._post)

    def _post(self) -> bool:
        length = min(int(self.headers.get("Content-Length", 0)), _BODY_LIMIT)
        return self.post(self.path, json.loads(self.rfile.read(length) or b"null"))

    def _answered(self, answer: Callable[[], bool]) -> None:
        """Let one of this page's answer; say what is at fault where it cannot."""
        try:
            if not answer():
                self.answer_json(404, {"error": "no such page"})
        except (CourtplumbError, ValueError) as error:
            self.answer_json(422, {"error": str(error)})
        except Exception as error:
            self.answer_json(
                500, {"error": f"the program failed ({type(error).__name__}); its window says more"}
            )
            raise

    def _from_here(self) -> bool:
        """Refuse a request that reached this machine under another name."""
        if (self.headers.get("Host") or "").rsplit(":", 1)[0] in _LOCAL_HOSTS:
            return True
        self.answer_json(403, {"error": "this page is for this machine only"})
        return False

    def answer_json(self, status: int, value: object) -> None:
        """A JSON answer."""
        self.answer(status, json.dumps(value).encode(), "application/json")

    def answer(self, status: int, body: bytes, kind: str) -> None:
        """An answer that nobody keeps."""
        with suppress(ConnectionError):  # the page was closed while it asked
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.send_header("Cache-Control", "no-store")
            self.end_headers()
            self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing: only the command line prints."""


class LocalServer(ThreadingHTTPServer):
    """Listens on this machine alone. port 0: any free one."""

    daemon_threads = True

    def __init__(self, port: int, handler: type[LocalHandler]) -> None:
        super().__init__(("127.0.0.1", port), handler)

    @property
    def url(self) -> str:
        """The page's address."""
        return f"http://localhost:{self.server_address[1]}/"


class Desk(Protocol):
    """What a person works on in a page."""

    def state(self) -> dict[str, Any]:
        """Everything the page starts from."""


D_co = TypeVar("D_co", bound=Desk, covariant=True)


class DeskServer(LocalServer, Generic[D_co]):
    """A page with a desk, until its own button ends it."""

    def __init__(self, port: int, handler: type[DeskHandler], desk: D_co) -> None:
        self._desk = desk
        super().__init__(port, handler)

    @property
    def desk(self) -> D_co:
        """What is worked on."""
        return self._desk

    def serve(self, *, open_browser: bool, on_ready: Callable[[str], None] | None) -> None:
        """Serve until a handler ends it or it is interrupted.

        on_ready gets the page's address once it can be opened (the command line prints it).
        """
        try:
            if on_ready is not None:
                on_ready(self.url)
            if open_browser:
                webbrowser.open(self.url)
            self.serve_forever(poll_interval=0.2)
        finally:
            self.server_close()


class DeskHandler(LocalHandler):
    """What all pages with a desk answer: where they start, and that they have finished."""

    server: DeskServer[Desk]

    def get(self, path: str) -> bool:
        if path != "/state":
            return False
        self.answer_json(200, self.server.desk.state())
        return True

    def post(self, path: str, body: object) -> bool:
        if path != "/finish":
            return False
        self.answer_json(200, {})
        threading.Thread(target=self.server.shutdown).start()
        return True
