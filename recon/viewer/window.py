"""The viewer as a desktop window: the same scene, with a time slider and keys."""

from __future__ import annotations

import os
import sys

import pyvista as pv

from calibration import BadInput
from recon import wording
from recon.records import EVENT_NAMES
from recon.result import Result
from recon.scene import LAYERS, key_instant_s, moving_parts, still_parts
from recon.viewer import panels
from recon.viewer.drawing import VIEWS, Drawing

_SIZE_PX = (1280, 900)
_PLAY_STEP_MS = 40
_PLAY_SPEED = 0.25
_SHOWN_AT_FIRST = ("spine_plane_min", "hip_past_baseline_max", "front_foot_turn")


def headlines(result: Result) -> str:
    """The headline measures in words, one a line."""
    rows = [m for m in result.measures.measures if m.name in _SHOWN_AT_FIRST]
    return "\n".join(f"{m.label}: {wording.value_text(m)}" for m in rows)


class Window:
    """A plotter with the scene, a slider and keys. Holds the time shown and whether it plays."""

    def __init__(self, result: Result, plotter: pv.Plotter) -> None:
        self.result = result
        self.drawing = Drawing(plotter)
        self.drawing.show(still_parts(result))
        self.t_s = key_instant_s(result)
        self.playing = False
        self._off: set[str] = set()
        ui = self.drawing.plotter
        ui.add_text(headlines(result), position="upper_left", font_size=9, color="#1f2933")
        ui.add_text(self._keys(), position="lower_right", font_size=8, color="#5b6773")
        t = result.motion.t_s
        self._slider = ui.add_slider_widget(
            self.go_to, (float(t[0]), float(t[-1])), value=self.t_s, title="time, s", fmt="%.3f",
            pointa=(0.05, 0.08), pointb=(0.65, 0.08), color="#1f2933", interaction_event="always",
            slider_width=0.015, tube_width=0.003, title_height=0.016,
        )  # fmt: skip
        for number, view in enumerate(VIEWS, start=1):
            ui.add_key_event(str(number), lambda view=view: self._look(view))
        for number, layer in enumerate(LAYERS, start=1):
            ui.add_key_event(f"F{number}", lambda layer=layer: self._toggle(layer))
        ui.add_key_event("space", self._toggle_play)
        ui.add_key_event("n", self._next_event)
        self.go_to(self.t_s)
        self._look("corner")

    def _keys(self) -> str:
        views = ", ".join(f"{i} {words}" for i, words in enumerate(VIEWS.values(), start=1))
        layers = ", ".join(f"F{i} {words}" for i, words in enumerate(LAYERS.values(), start=1))
        return f"look from: {views}\nshow or hide: {layers}\nspace: play, n: next instant"

    def go_to(self, t_s: float) -> None:
        """Show the pose of a rig time."""
        self.t_s = t_s
        self.drawing.show(moving_parts(self.result, t_s))
        mark = next(
            (m for m in panels.event_marks(self.result.events, self.result.motion)
             if m["sample"] == self.result.motion.nearest(t_s)), None,
        )  # fmt: skip
        words = wording.time_text(t_s) + (f", {EVENT_NAMES[mark['name']]}" if mark else "")
        self.drawing.plotter.add_text(words, position="upper_right", font_size=10, color="#1f2933", name="now")

    def _go(self, t_s: float) -> None:
        self._slider.GetRepresentation().SetValue(t_s)
        self.go_to(t_s)
        self.drawing.plotter.render()

    def _look(self, view: str) -> None:
        self.drawing.look(view, self.result, self.t_s)
        self.drawing.plotter.render()

    def _toggle(self, layer: str) -> None:
        on = layer in self._off
        (self._off.discard if on else self._off.add)(layer)
        self.drawing.switch(layer, on)
        self.drawing.plotter.render()

    def _toggle_play(self) -> None:
        self.playing = not self.playing

    def _next_event(self) -> None:
        later = [e.t_s for e in self.result.events.events if e.t_s is not None and e.t_s > self.t_s + 1e-6]
        first = [e.t_s for e in self.result.events.events if e.t_s is not None]
        if first:
            self._go(min(later) if later else min(first))

    def play_on(self, _step: int) -> None:
        """One tick of the window's timer: go on a little where it plays, and round at the end."""
        if self.playing:
            t = self.result.motion.t_s
            on = self.t_s + _PLAY_STEP_MS / 1000 * _PLAY_SPEED
            self._go(on if on <= t[-1] else float(t[0]))


def show_window(result: Result) -> None:
    """Open a desktop window; returns when it is closed.

    Raises BadInput where there is no display.
    """
    if sys.platform == "linux" and not (os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")):
        raise BadInput(
            "a window needs a display and there is none; leave --window out to open it in the browser"
        )
    plotter = pv.Plotter(window_size=list(_SIZE_PX), title=f"{panels.title(result)} – courtplumb")
    window = Window(result, plotter)
    window.drawing.plotter.add_timer_event(max_steps=2**31 - 1, duration=_PLAY_STEP_MS, callback=window.play_on)
    plotter.show()
