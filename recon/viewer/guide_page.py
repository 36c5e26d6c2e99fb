"""The live page beside which a person films the board: what each camera sees, and where to hold the board next.

Knows calibration only. The page asks again and again; nothing is kept here but the session it looks at.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from calibration.guide import (
    VERDICT_WORDS,
    GuideSession,
    Standing,
    Verdict,
    Watch,
    advice,
    counted,
    uncertainty_words,
)
from recon.viewer.local_page import LocalHandler, LocalServer, assets

_SIGNS = {Verdict.ACCEPTED: "●", Verdict.DUPLICATE: "✓", Verdict.FIRST: "○", Verdict.NOT_FOUND: "–"}
_ATTENTION = "▲"


def page_state(session: GuideSession) -> dict[str, Any]:
    """Everything the page shows now."""
    panes = [_pane(session, number, watch) for number, watch in enumerate(session.watches)]
    shared = [
        {
            "title": f"Shared set {number + 1}",
            "pairs": [{"pair": " and ".join(pair), "holds": n} for pair, n in standing.pairs.items()],
            "missing": list(standing.missing),
        }
        for number, standing in session.shared().items()
    ]
    return {"rig": session.folder.name, "panes": panes, "shared": shared, "notes": list(session.notes)}


def _pane(session: GuideSession, number: int, watch: Watch) -> dict[str, Any]:
    standing, judged = session.standing(watch), watch.last
    pane: dict[str, Any] = {
        "number": number, "title": watch.source.label, "sign": "–", "verdict": "waiting for pictures",
        "kind": "", "head": "", "lines": [], "counts": "", "taken": 0, "pictures": watch.pictures,
        "ended": watch.ended,
    }  # fmt: skip
    if watch.fault is not None:
        return pane | {"sign": _ATTENTION, "verdict": "stopped", "lines": [str(watch.fault)]}
    if standing is None or judged is None:
        return pane | {"lines": [watch.source.where]}
    pane |= {
        "sign": _SIGNS.get(judged.verdict, _ATTENTION),
        "verdict": VERDICT_WORDS[judged.verdict],
        "kind": judged.verdict.name.lower(),
        "taken": standing.views,
    }
    return pane | (_lens_lines(standing) if watch.source.for_lens else _hold_lines(watch))


def _lens_lines(standing: Standing) -> dict[str, Any]:
    head, words = advice(standing)
    suggested = standing.missing[0] if standing.missing and words == standing.missing[0].words else None
    lines = [words] if suggested is None else [suggested.where, suggested.tilt, suggested.size]
    counts = f"{counted(standing.views, 'view')}; {100 * standing.coverage.share:.0f} % of the picture reached"
    return {"head": head, "lines": lines, "counts": f"{counts}; {uncertainty_words(standing)}"}


def _hold_lines(watch: Watch) -> dict[str, Any]:
    return {
        "head": "hold the board still for a second",
        "lines": ["where two cameras or more see it whole", "another place and tilt each time"],
        "counts": f"{counted(len(watch.holds.done), 'hold')} seen by this camera",
    }


class _Handler(LocalHandler):
    server: _Server
    assets = assets("guide_page")

    def get(self, path: str) -> bool:
        session = self.server.session
        number = path.removeprefix("/live/").removesuffix(".jpg")
        if path == "/state":
            self.answer_json(200, page_state(session))
        elif path.startswith("/live/") and number.isdecimal() and int(number) < len(session.watches):
            picture = session.live_jpeg(int(number))
            if picture is None:
                self.answer_json(404, {"error": "no picture yet"})
            else:
                self.answer(200, picture, "image/jpeg")
        else:
            return False
        return True

    def post(self, path: str, body: object) -> bool:
        if path != "/finish":
            return False
        self.answer_json(200, {})
        self.server.finish()
        return True


class _Server(LocalServer):
    def __init__(self, port: int, session: GuideSession, finish: Callable[[], None]) -> None:
        self.session, self.finish = session, finish
        super().__init__(port, _Handler)


class GuidePage:
    """Serves the page on this machine only, in a thread, from entering until leaving.

    finish: called when the page's button "finish" is pressed. port 0: any free one.
    """

    def __init__(self, session: GuideSession, finish: Callable[[], None], port: int = 0) -> None:
        self._server = _Server(port, session, finish)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.2,), daemon=True)

    @property
    def url(self) -> str:
        """The page's address."""
        return self._server.url

    def __enter__(self) -> GuidePage:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
