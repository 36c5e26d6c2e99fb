"""The desktop window's own workings, on a plotter without a window."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from calibration import BadInput
from recon import wording
from recon.result import Result, load_result
from recon.viewer.drawing import Drawing, off_screen_plotter
from recon.viewer.window import Window, headlines, show_window
from tests.support.example_result import save_example


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return load_result(save_example(tmp_path_factory.mktemp("example")))


@pytest.fixture
def window(result: Result) -> Iterator[Window]:
    plotter = off_screen_plotter((320, 240))
    yield Window(result, plotter)
    plotter.close()


def picture(window: Window) -> np.ndarray:
    window.drawing.plotter.render()
    return np.asarray(window.drawing.plotter.screenshot(return_img=True)).astype(int)


def test_headlines_are_the_records_values(result: Result) -> None:
    for name in ("spine_plane_min", "hip_past_baseline_max", "front_foot_turn"):
        m = result.measures.of(name)
        assert f"{m.label}: {wording.value_text(m)}" in headlines(result).splitlines()


def test_next_instant_steps_through_the_events_and_round(window: Window, result: Result) -> None:
    window.go_to(0.0)
    times = sorted(e.t_s for e in result.events.events if e.t_s is not None)
    visited = []
    for _ in range(len(times) + 1):
        window._next_event()
        visited.append(window.t_s)
    assert visited == [*times, times[0]]


def test_playing_goes_on_and_round_only_while_it_plays(window: Window, result: Result) -> None:
    window.go_to(0.5)
    window.play_on(0)
    assert window.t_s == 0.5
    window._toggle_play()
    window.play_on(0)
    assert window.t_s == pytest.approx(0.51)
    window.go_to(float(result.motion.t_s[-1]))
    window.play_on(0)
    assert window.t_s == result.motion.t_s[0]


def test_layers_and_views_change_the_picture(window: Window) -> None:
    before = picture(window)
    window._toggle("spine_plane")
    without = picture(window)
    assert (np.abs(before - without).max(axis=2) > 20).mean() > 0.005
    window._toggle("spine_plane")
    assert np.abs(before - picture(window)).max() == 0
    window._look("top")
    assert (np.abs(before - picture(window)).max(axis=2) > 20).mean() > 0.05


def test_an_unknown_view_is_refused(result: Result) -> None:
    plotter = off_screen_plotter((64, 48))
    try:
        with pytest.raises(BadInput, match="view: want one of"):
            Drawing(plotter).look("moon", result, 1.0)
    finally:
        plotter.close()


def test_without_a_display_it_says_what_to_do(result: Result, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    with pytest.raises(BadInput, match="leave --window out"):
        show_window(result)
