"""The clicking page in headless Chromium, on drawn pictures of invented cameras."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import numpy as np
import pytest

from calibration import (
    POINTS,
    BadInput,
    CalibratedRig,
    Camera,
    ClickResidual,
    CourtCheck,
    Rigid,
    court_point,
    read_clicks,
    read_rig_folder,
)
from recon.viewer.click_page import ClickDesk, click_court, court_in_picture
from tests.support.chromium import Visit
from tests.support.clicking import clicking_page
from tests.support.example_result import example_cameras
from tests.support.example_rig import example_rig, save_example_rig_folder

_CAMERAS = {c.name: c for c in example_cameras()}


def register(folder: Path) -> CalibratedRig:
    """Knows the true cameras and answers with each click's distance from where its point is."""
    clicks = read_clicks(folder / "court_clicks.csv")
    if len(clicks) < 3:
        raise BadInput(f"want at least 3 clicks, got {len(clicks)}")
    rig, rows = example_rig(example_cameras()), []
    for c in clicks:
        off = float(np.linalg.norm(pixel(rig.camera(c.camera), c.point) - c.uv_px))
        rows.append(ClickResidual(c.camera, c.point, off, off, off, True))
    (folder / "registered").touch()
    return replace(rig, court=CourtCheck(tuple(rows), 0.25, 0.004))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    save_example_rig_folder(tmp_path / "rig", example_cameras())
    return tmp_path / "rig"


@pytest.fixture
def seen(folder: Path, context: Any) -> Iterator[Visit]:
    with clicking_page(folder, partial(register, folder), context) as opened:
        yield opened


def pixel(camera: Camera, point: str) -> np.ndarray:
    return camera.project(np.array(court_point(point).xyz_m))


def inside(camera: Camera, point: str) -> bool:
    u, v = pixel(camera, point)
    return bool(5 < u < camera.size_px[0] - 6 and 5 < v < camera.size_px[1] - 6)


def on_screen(page: Any, svg: str, uv: np.ndarray) -> tuple[float, float]:
    """Where a picture position is on the screen, from the image's own box and not from its coordinates.

    The photo covers whole pixels: its left edge is at -0.5, its right edge at width - 0.5.
    """
    box = page.locator(f"#{svg} image").bounding_box()
    name = page.locator("nav button[aria-pressed=true]").get_attribute("data-camera")
    w, h = _CAMERAS[name].size_px
    return box["x"] + (uv[0] + 0.5) / w * box["width"], box["y"] + (uv[1] + 0.5) / h * box["height"]


def saved(folder: Path, page: Any, count: int) -> dict[tuple[str, str], np.ndarray]:
    page.wait_for_function(
        "n => document.querySelector('#saved').textContent === n + ' clicks saved'", arg=count
    )
    return {(c.camera, c.point): c.uv_px for c in read_clicks(folder / "court_clicks.csv")}


def zoom_to(page: Any, uv: np.ndarray) -> None:
    page.locator("#whole").click()
    x, y = on_screen(page, "picture", uv)
    page.mouse.move(x, y)
    for _ in range(6):
        page.mouse.wheel(0, -300)
    page.wait_for_function("document.querySelector('#picture').viewBox.baseVal.width < 200")


def test_clicks_of_three_cameras_end_up_where_the_points_are(folder: Path, seen: Visit) -> None:
    page, want = seen.page, {}
    for name, camera in _CAMERAS.items():
        page.locator(f"nav [data-camera={name}]").click()
        for point in POINTS:
            assert page.locator("#asked").inner_text() == point.name.replace("_", " ") + ":"
            if not inside(camera, point.name) or len([k for k in want if k[0] == name]) == 3:
                page.locator("#skip").click()
                continue
            uv = pixel(camera, point.name)
            zoom_to(page, uv)
            page.mouse.click(*on_screen(page, "picture", uv))
            want[name, point.name] = uv
    assert len(want) == 9
    got = saved(folder, page, len(want))
    assert set(got) == set(want)
    worst = max(float(np.linalg.norm(got[k] - want[k])) for k in want)
    assert worst < 0.3
    page.locator("#register").click()
    page.wait_for_selector("#result table")
    assert (folder / "registered").exists()
    shown = [float(t.split()[0]) for t in page.locator("#result td.number").all_inner_texts()]
    assert len(shown) == len(want) and max(shown) < 0.3
    assert "0.25 px" in page.locator("#result").inner_text()
    assert page.locator("#drawn polyline").count() > 4


def test_the_magnifier_makes_a_rough_click_exact(folder: Path, seen: Visit) -> None:
    page, camera = seen.page, _CAMERAS["rear_left"]
    uv = pixel(camera, "baseline_centre")
    page.mouse.click(*on_screen(page, "picture", uv + np.array([4.0, -3.0])))
    rough = saved(folder, page, 1)["rear_left", "baseline_centre"]
    assert 4.0 < np.linalg.norm(rough - uv) < 6.5
    page.mouse.move(*[x for x in page.locator("#saved").bounding_box().values()][:2])
    page.mouse.click(*on_screen(page, "magnifier", uv))
    page.wait_for_function("document.querySelector('#saved').textContent === '1 clicks saved'")
    exact = saved(folder, page, 1)["rear_left", "baseline_centre"]
    assert np.linalg.norm(exact - uv) < 0.3
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowUp")
    moved = saved(folder, page, 1)["rear_left", "baseline_centre"]
    np.testing.assert_allclose(moved - exact, [0.25, -1.0], atol=0.002)


def test_click_again_moves_and_undo_takes_back(folder: Path, seen: Visit) -> None:
    page, camera = seen.page, _CAMERAS["rear_left"]
    uv = pixel(camera, "baseline_centre")
    page.mouse.click(*on_screen(page, "picture", uv))
    first = saved(folder, page, 1)["rear_left", "baseline_centre"]
    page.locator("#points [data-point=baseline_centre]").click()
    page.mouse.click(*on_screen(page, "picture", uv + 50))
    second = saved(folder, page, 1)["rear_left", "baseline_centre"]
    np.testing.assert_allclose(second - first, [50, 50], atol=1.5)
    page.locator("#undo").click()
    np.testing.assert_allclose(saved(folder, page, 1)["rear_left", "baseline_centre"], first)
    page.locator("#undo").click()
    page.wait_for_function("document.querySelector('#saved').textContent === '0 clicks saved'")
    assert not (folder / "court_clicks.csv").exists()
    assert page.locator("#asked").inner_text() == "baseline centre:"


def test_too_few_clicks_say_so_on_the_page(folder: Path, seen: Visit) -> None:
    page, camera = seen.page, _CAMERAS["rear_left"]
    page.mouse.click(*on_screen(page, "picture", pixel(camera, "baseline_centre")))
    saved(folder, page, 1)
    page.locator("#register").click()
    page.wait_for_selector("#result.fault")
    assert page.locator("#result").inner_text() == "want at least 3 clicks, got 1"
    assert not (folder / "registered").exists()


def test_clicks_of_an_earlier_visit_are_there_and_stay(folder: Path, context: Any) -> None:
    (folder / "court_clicks.csv").write_text("camera,point,u_px,v_px\nside,service_centre,10.5,20.25\n")
    with clicking_page(folder, partial(register, folder), context) as seen:
        page = seen.page
        assert page.locator("nav [data-camera=side]").inner_text() == "side (1)"
        page.mouse.click(*on_screen(page, "picture", pixel(_CAMERAS["rear_left"], "baseline_centre")))
        np.testing.assert_allclose(saved(folder, page, 2)["side", "service_centre"], [10.5, 20.25])


def test_finish_ends_the_program(folder: Path, context: Any) -> None:
    with clicking_page(folder, partial(register, folder), context) as seen:
        seen.page.locator("#finish").click()
        seen.page.wait_for_function("document.body.textContent.startsWith('Finished')")
        with pytest.raises(OSError):  # nobody answers any more, after at most the server's own pause
            for _ in range(50):
                urlopen(seen.page.url, timeout=1).close()
                seen.page.wait_for_timeout(100)


def test_what_a_page_must_not_send_is_refused_and_nothing_is_written(folder: Path) -> None:
    desk = ClickDesk(read_rig_folder(folder), partial(register, folder))
    good = {"camera": "side", "point": "service_centre", "u_px": 3.0, "v_px": 4.0}
    wrong: list[Any] = [
        None, [1], [{**good, "more": 1}], [{**good, "u_px": "left"}], [{**good, "u_px": float("nan")}],
        [{**good, "point": "umbrella"}], [{**good, "camera": "attic"}], [good, good],
        [{**good, "u_px": 1279.6}],
    ]  # fmt: skip
    for rows in wrong:
        with pytest.raises(BadInput):
            desk.save(rows)
    assert not (folder / "court_clicks.csv").exists()
    assert desk.save([good]) == 1


def test_the_court_is_drawn_back_through_the_lens() -> None:
    camera = _CAMERAS["rear_left"]
    lines = court_in_picture(camera)
    points = np.array([p for line in lines for p in line])
    for name in ("baseline_centre", "baseline_right_singles", "service_centre"):
        assert np.linalg.norm(points - pixel(camera, name), axis=1).min() < 0.02
    # a camera that turns its back on the court draws none of it
    turned = Rigid(np.diag([-1.0, 1.0, -1.0]), np.zeros(3), "cam_rear_left", "cam_rear_left")
    away = camera.placed(Rigid.identity("cam_rear_left", "cam_rear_left") @ turned @ camera.cam_from_world)
    assert court_in_picture(away) == []


def test_a_rig_without_court_pictures_is_refused(folder: Path) -> None:
    text = (folder / "rig.toml").read_text()
    (folder / "rig.toml").write_text("\n".join(x for x in text.splitlines() if "court_picture" not in x))
    with pytest.raises(BadInput, match="court_picture"):
        click_court(folder, partial(register, folder), open_browser=False)
