"""The viewer in headless Chromium, on the invented example session."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from recon import wording
from recon.result import Result, load_result
from recon.scene import LAYERS, picture_index
from recon.scene.body import positions_at
from recon.viewer import VIEWS, save_picture
from tests.support.chromium import Visit, browser, served, visit
from tests.support.example_result import save_example

_PROGRAM = """
import sys
from recon.result import load_result
from recon.viewer import show
show(load_result(sys.argv[1]), open_browser=False, on_ready=lambda url: print(url, flush=True))
"""
_CAMERA = "side"


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return load_result(save_example(tmp_path_factory.mktemp("example"), "left"))


@pytest.fixture(scope="module")
def seen(result: Result, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visit]:
    with (
        served(_PROGRAM, str(result.session.folder)) as url,
        browser(tmp_path_factory.mktemp("profile")) as context,
        visit(context, url) as opened,
    ):
        opened.page.wait_for_selector(".measure")
        opened.page.wait_for_selector(".scene img, .scene canvas, .scene video")
        yield opened


def scrub(page: Any, sample: int) -> None:
    """Set the slider as a hand would, and wait until the page has followed."""
    page.locator("input[type=range]").evaluate(
        "(slider, value) => { slider.value = value; slider.dispatchEvent(new Event('input')); }", sample
    )


def wait_for_time(page: Any, result: Result, sample: int) -> None:
    text = wording.time_text(float(result.motion.t_s[sample]))
    page.wait_for_function("text => document.querySelector('output.now b').textContent === text", arg=text)


def scene_picture(page: Any) -> np.ndarray:
    """What the 3D area shows now, (H, W, 3)."""
    png = np.frombuffer(page.locator(".scene").screenshot(), dtype=np.uint8)
    return cv2.imdecode(png, cv2.IMREAD_COLOR).astype(int)


def settled(page: Any) -> np.ndarray:
    """What the 3D area shows once it has stopped changing for half a second."""
    now, same = scene_picture(page), 0
    for _ in range(60):
        page.wait_for_timeout(120)
        before, now = now, scene_picture(page)
        same = same + 1 if np.array_equal(before, now) else 0
        if same == 4:
            return now
    raise AssertionError("the scene does not settle")


def wait_for_scene(page: Any, good: Callable[[np.ndarray], bool]) -> np.ndarray:
    """The first picture of the 3D area that is good: it comes a moment after the page's own text."""
    for _ in range(80):
        now = scene_picture(page)
        if good(now):
            return now
        page.wait_for_timeout(100)
    raise AssertionError("the scene never became what it should")


def changed(a: np.ndarray, b: np.ndarray) -> float:
    """Share of pixels that differ visibly."""
    return float((np.abs(a - b).max(axis=2) > 24).mean())


def test_values_on_screen_are_the_records_values(seen: Visit, result: Result) -> None:
    page = seen.page
    assert page.locator(".measure").count() == len(result.measures.measures)
    for m in result.measures.measures:
        row = page.locator(f"[data-measure={m.name}]")
        assert row.locator(".value").inner_text() == wording.value_text(m)
        assert row.locator(".label").inner_text().startswith(m.label)


def test_one_click_deeper_stand_u_the_interval_and_the_sources(seen: Visit, result: Result) -> None:
    m = result.measures.of("hip_past_baseline_max")
    row = seen.page.locator(f"[data-measure={m.name}]")
    assert row.locator("dl").count() == 0
    row.locator(".more").click()
    assert row.locator(".detail").inner_text() == wording.detail_text(m)
    assert row.locator(".interval").inner_text() == wording.interval_text(m)
    assert row.locator(".source").all_inner_texts() == [f"{n}: {t}" for n, t in wording.source_texts(m)]


def test_an_absent_value_says_why(seen: Visit, result: Result) -> None:
    m = next(m for m in result.measures.measures if m.value is None)
    row = seen.page.locator(f"[data-measure={m.name}]")
    row.locator(".more").click()
    assert row.locator(".detail").inner_text() == m.reason
    assert row.locator(".jump").is_disabled()


def test_scrubbing_moves_time_pictures_and_scene(seen: Visit, result: Result) -> None:
    page = seen.page
    scrub(page, 20)
    wait_for_time(page, result, 20)
    before, overlay = settled(page), page.locator(f"[data-camera={_CAMERA}] g").inner_html()
    scrub(page, 150)
    wait_for_time(page, result, 150)
    assert page.locator(f"[data-camera={_CAMERA}] g").inner_html() != overlay
    wait_for_scene(page, lambda now: changed(before, now) > 0.005)


@pytest.mark.parametrize("sample", [60, 117])
def test_the_skeleton_lies_on_the_picture_of_its_own_instant(seen: Visit, result: Result, sample: int) -> None:
    page = seen.page
    scrub(page, sample)
    wait_for_time(page, result, sample)
    (kept,) = [p for p in result.pictures if p.camera == _CAMERA]
    i = picture_index(result, kept, float(result.motion.t_s[sample]))
    figure = page.locator(f"[data-camera={_CAMERA}]")
    assert figure.locator("image").get_attribute("href").endswith(f"/{kept.paths[i].name}")
    # by hand: left-hander, so the hitting arm's first bone runs from the left shoulder to the left elbow
    t = float(kept.t_cam_s[i]) + result.clocks.of(_CAMERA).offset_s
    uv = result.rig.camera(_CAMERA).project(positions_at(result.motion, t))
    want = [*uv[result.motion.index("left_shoulder")], *uv[result.motion.index("left_elbow")]]
    path = figure.locator("path.hitting_arm").get_attribute("d")
    got = [float(x) for x in re.findall(r"-?\d+\.\d+", path)[:4]]
    np.testing.assert_allclose(got, want, atol=0.06)


def test_pictures_are_really_there(seen: Visit, result: Result) -> None:
    loaded = seen.page.evaluate(
        """async () => { const out = [];
        for (const image of document.querySelectorAll('.pictures image')) {
          const answer = await fetch(image.href.baseVal);
          out.push([answer.ok, (await answer.blob()).size]); }
        return out; }"""
    )
    assert len(loaded) == len(result.pictures)
    assert all(ok and size > 500 for ok, size in loaded)


@pytest.mark.parametrize("name", ["spine_plane_min", "front_foot_yaw_stance", "contact_height"])
def test_a_click_on_a_measure_jumps_to_its_time(seen: Visit, result: Result, name: str) -> None:
    scrub(seen.page, 0)
    wait_for_time(seen.page, result, 0)
    seen.page.locator(f"[data-measure={name}] .jump").click()
    wait_for_time(seen.page, result, result.motion.nearest(result.measures.of(name).t_s or 0.0))
    assert "here" in (seen.page.locator(f"[data-measure={name}]").get_attribute("class") or "")


def test_a_click_on_an_event_jumps_to_it(seen: Visit, result: Result) -> None:
    for event in ("trophy", "contact"):
        seen.page.locator(f"[data-event={event}]").click()
        wait_for_time(seen.page, result, result.motion.nearest(result.events.time(event) or 0.0))
    assert seen.page.locator(".now").inner_text().endswith("at contact")
    assert seen.page.locator("[data-event=landing]").count() == 0
    assert result.events.of("landing").reason in seen.page.locator(".measures").inner_text()


def test_playing_goes_on_by_itself_and_pauses(seen: Visit, result: Result) -> None:
    page = seen.page
    scrub(page, 0)
    wait_for_time(page, result, 0)
    page.locator(".play").click()
    page.wait_for_function("parseFloat(document.querySelector('output.now b').textContent) > 0.1")
    page.locator(".play").click()
    page.wait_for_function("document.querySelector('.play').textContent === 'Play'")
    settled(page)  # a player that runs on settles only at the clip's end
    stopped = page.locator("output.now b").inner_text()
    assert 0.1 < float(stopped.split()[0]) < float(result.motion.t_s[-1])


@pytest.mark.parametrize("layer", ["spine_plane", "baseline_plane", "tip_trace"])
def test_layers_can_be_switched_off_and_on(seen: Visit, layer: str) -> None:
    page = seen.page
    assert layer in LAYERS
    before = settled(page)
    page.locator(f"[data-layer={layer}]").uncheck()
    wait_for_scene(page, lambda now: changed(before, now) > 0.002)
    page.locator(f"[data-layer={layer}]").check()
    wait_for_scene(page, lambda now: changed(before, now) < 0.0005)


def test_views_and_orbit_change_the_scene(seen: Visit) -> None:
    page = seen.page
    pictures = [settled(page)]
    for view in [v for v in VIEWS if v != "corner"]:  # it starts with the corner
        page.locator(f"[data-view={view}]").click()
        wait_for_scene(page, lambda now: all(changed(now, old) > 0.01 for old in pictures))
        pictures.append(settled(page))
    box = page.locator(".scene").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 120, y + 30, steps=6)
    page.mouse.up()
    turned = wait_for_scene(page, lambda now: changed(pictures[-1], now) > 0.01)
    assert all(changed(turned, old) > 0.005 for old in pictures)


def test_nothing_left_this_machine_and_nothing_broke(seen: Visit) -> None:
    assert len(seen.asked) > 5
    assert seen.from_elsewhere() == []
    assert seen.errors == []


def test_a_picture_of_the_scene_needs_no_window(result: Result, tmp_path: Path) -> None:
    path = tmp_path / "viewer.png"
    save_picture(result, path)
    image = cv2.imread(str(path))
    assert image is not None and image.shape[:2] == (960, 1280)
    spread = np.ptp(image.reshape(-1, 3).astype(int), axis=0)
    assert (spread > 150).all()
    assert list(tmp_path.iterdir()) == [path]
