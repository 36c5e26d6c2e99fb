"""A page of this program for this machine only: answers of fixed kinds, refusals to everybody else."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources

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
        raise NotImplementedError

    def post(self, path: str, body: object) -> bool:
        """Take an order with its JSON body, if it is one of this page's."""
        raise NotImplementedError

    def do_GET(self) -> None:
        path = self.path.partition("?")[0]
        if not self._from_here():
            return
        if path in self.assets:
            file, kind = self.assets[path]
            self.answer(200, resources.files("recon.viewer").joinpath(file).read_bytes(), kind)
        elif not self.get(path):
            self.answer_json(404, {"error": "no such page"})

    def do_POST(self) -> None:
        if not self._from_here():
            return
        # a page of another origin cannot send this type without asking first, and is never answered yes
        if self.headers.get("Content-Type") != "application/json":
            self.answer_json(415, {"error": "want application/json"})
            return
        try:
            length = min(int(self.headers.get("Content-Length", 0)), _BODY_LIMIT)
            body = json.loads(self.rfile.read(length) or b"null")
            if not self.post(self.path, body):
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
