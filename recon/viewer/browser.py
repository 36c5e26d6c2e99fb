"""The viewer in a web browser: the scene is rendered by this program, the page only shows it.

Rendering stays on this side, not in the page, for three reasons: the picture is the one that save_picture
writes and a desktop window shows; the page needs no graphics card; only pictures and a few numbers have to be
kept in step while a serve plays. The price is a round trip per picture, nothing on the same machine.
"""

from __future__ import annotations

import asyncio
import time
import webbrowser
from collections.abc import Callable
from functools import partial
from importlib import resources
from itertools import count
from typing import Any

from trame.app import get_server  # type: ignore[import-untyped]
from trame.ui.html import DivLayout  # type: ignore[import-untyped]
from trame.widgets import client  # type: ignore[import-untyped]
from trame_pyvista.rca_view import PyVistaRCAView

from recon.result import Result
from recon.scene import LAYERS, key_instant_s, moving_parts, still_parts
from recon.viewer import panels
from recon.viewer.drawing import VIEWS, Drawing, off_screen_plotter
from recon.wording import time_text

_SCENE_PX = (900, 700)
_PICTURES_PER_S = 20.0
_STEPS_PER_S = 12.0
_JPEG_QUALITY = 88
_SPEEDS = ((1.0, "full"), (0.5, "half"), (0.25, "quarter"), (0.1, "tenth"))
_server_numbers = count()


def _asset(name: str) -> str:
    return resources.files("recon.viewer").joinpath(name).read_text(encoding="utf-8")


class Viewer:
    """One page for one result. Holds what the page shows now: the sample, the layers, whether it plays."""

    def __init__(self, result: Result) -> None:
        self.result = result
        self.cameras = tuple(c.camera for c in result.tracks.cameras)
        self.kept = {p.camera: p for p in result.pictures}
        self.drawing = Drawing(off_screen_plotter(_SCENE_PX))
        self.drawing.show(still_parts(result))
        self.server = get_server(f"courtplumb_viewer_{next(_server_numbers)}", client_type="vue3")
        # trame would read this program's own command line
        self.server.cli.parse_known_args = partial(self.server.cli.parse_known_args, args=[])
        serve = {f"pictures_{c}": str(p.paths[0].parent) for c, p in self.kept.items() if p.paths}
        self.server.enable_module({"serve": serve})
        self._fill_state()
        self._draw(self.server.state.sample)
        self._look("corner")
        self._build_page()
        self.view.handler.update_quality(_JPEG_QUALITY, _JPEG_QUALITY)  # equal: one picture per change, not two
        self._connect()

    def _fill_state(self) -> None:
        r, state = self.result, self.server.state
        marks = panels.event_marks(r.events, r.motion)
        first, last = panels.stretch(r.events, r.motion)
        state.trame__title = f"{panels.title(r)} – courtplumb"
        state.update(
            {
                "title": panels.title(r), "subtitle": panels.subtitle(r),
                "views": [{"name": n, "label": words} for n, words in VIEWS.items()],
                "layers": [{"name": n, "label": words} for n, words in LAYERS.items()], "off": [],
                "groups": panels.measure_groups(r), "opened": "", "absent": panels.absent_events(r.events),
                "marks": marks, "lanes": 1 + max((m["lane"] for m in marks), default=0),
                "first": first, "last": last, "sample": r.motion.nearest(key_instant_s(r)),
                "playing": False, "speed": 0.25,
                "speeds": [{"value": v, "label": words} for v, words in _SPEEDS],
                "near": True, "keys": panels.legend(),
                "boxes": {c: panels.near_player_box(r, c) for c in self.cameras},
                "whole": {c: [-0.5, -0.5, *r.rig.camera(c).size_px] for c in self.cameras},
            }
        )  # fmt: skip
        self._fill_instant(state.sample)

    def _fill_instant(self, sample: int) -> None:
        r, state = self.result, self.server.state
        t = float(r.motion.t_s[sample])
        state.now = time_text(t)
        state.beside = panels.time_beside_contact(t, r.events, float(r.motion.t_s[1] - r.motion.t_s[0]))
        state.pictures = [panels.picture_row(r, c, self.kept.get(c), t, f"pictures_{c}") for c in self.cameras]

    def _build_page(self) -> None:
        before, after = _asset("page.html").split("@SCENE@")
        with DivLayout(self.server) as layout:
            client.Style(_asset("page.css"))
            layout.root.add_child(before)
            self.view: Any = PyVistaRCAView(  # type: ignore[no-untyped-call]
                self.drawing.plotter, target_fps=_PICTURES_PER_S, style="width: 100%; height: 100%"
            )
            layout.root.add_child(after)

    def _connect(self) -> None:
        server = self.server
        server.state.change("sample")(self._on_sample)
        server.state.change("off")(self._on_layers)
        server.state.change("playing")(self._on_playing)
        server.trigger("look")(self._on_look)

    def _on_sample(self, sample: int, **_: Any) -> None:
        self._draw(int(sample))
        self._fill_instant(int(sample))
        self.view.render()

    def _on_layers(self, off: list[str], **_: Any) -> None:
        for layer in LAYERS:
            self.drawing.switch(layer, layer not in off)
        self.view.render()

    def _on_playing(self, playing: bool, **_: Any) -> None:
        if playing:
            self._player = asyncio.get_running_loop().create_task(self._play())

    def _on_look(self, view: str) -> None:
        self._look(view)
        self.view.render()

    def _draw(self, sample: int) -> None:
        self.drawing.show(moving_parts(self.result, float(self.result.motion.t_s[sample])))

    def _look(self, view: str) -> None:
        self.drawing.look(view, self.result, float(self.result.motion.t_s[self.server.state.sample]))

    async def _play(self) -> None:
        """Advance by the clock on the wall times the speed; from the start when at the end."""
        state, t = self.server.state, self.result.motion.t_s
        at = float(t[state.first if state.sample >= state.last else state.sample])
        then = time.monotonic()
        while state.playing:
            await asyncio.sleep(1 / _STEPS_PER_S)
            now = time.monotonic()
            at, then = at + (now - then) * state.speed, now
            if not state.playing:  # paused meanwhile: the page has its own sample by now
                return
            with state:
                state.sample = min(self.result.motion.nearest(at), state.last)
                state.playing = state.sample < state.last

    def start(self, port: int, open_browser: bool, on_ready: Callable[[str], None] | None) -> None:
        """Serve the page on this machine only, until interrupted. port 0: any free one."""

        def ready(**_: Any) -> None:
            url = f"http://localhost:{self.server.port}/index.html"
            if on_ready is not None:
                on_ready(url)
            if open_browser:
                webbrowser.open(url)

        self.server.controller.on_server_ready.add(ready)
        self.server.start(port=port, host="localhost", open_browser=False, show_connection_info=False,
                          disable_logging=True, timeout=0)  # fmt: skip


def show(
    result: Result,
    *,
    port: int = 0,
    open_browser: bool = True,
    on_ready: Callable[[str], None] | None = None,
) -> None:
    """Show a measured serve in the browser; returns when interrupted.

    on_ready gets the page's address once it can be opened (the command line prints it).
    """
    Viewer(result).start(port, open_browser, on_ready)
