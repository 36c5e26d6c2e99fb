"""The page on which the racket is clicked, in headless Chromium, on drawn films of an INVENTED serve."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration import BadInput
from recon.pipeline import filmed_cameras
from recon.racket_points import POINTS, read_racket_points
from recon.result import load_result
from recon.viewer.racket_page import RacketDesk, click_racket
from tests.support.chromium import Visit
from tests.support.clicking import served_page
from tests.support.example_motion import EVENT_TIMES_S
from tests.support.example_result import example_cameras, save_example
from tests.support.filmed_example import film_example

_CAMERAS = {c.name: c for c in example_cameras()}
_WAIT_S = 30


@pytest.fixture(scope="module")
def filmed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = save_example(tmp_path_factory.mktemp("example"))
    film_example(folder)
    return folder


@pytest.fixture
def session(filmed: Path) -> Iterator[Path]:
    points = filmed / "racket_points.csv"
    points.unlink(missing_ok=True)
    yield filmed
    points.unlink(missing_ok=True)


def page_of(folder: Path, context: Any) -> AbstractContextManager[Visit]:
    """The page of a measured session."""
    result = load_result(folder)
    return served_page(context, click_racket, result, filmed_cameras(result))


def on_screen(page: Any, camera: str, uv: np.ndarray) -> tuple[float, float]:
    """Where a place of the frame is on the screen, from the image's own box."""
    box = page.locator("#picture image").bounding_box()
    w, h = _CAMERAS[camera].size_px
    return box["x"] + (uv[0] + 0.5) / w * box["width"], box["y"] + (uv[1] + 0.5) / h * box["height"]


def true_px(folder: Path, camera: str, frame: int, point: str = "racket_tip") -> np.ndarray:
    result = load_result(folder)
    t = frame / 120 + result.clocks.of(camera).offset_s
    x = result.motion.path(point)
    return _CAMERAS[camera].project(np.array([np.interp(t, result.motion.t_s, x[:, i]) for i in range(3)]))


def saved(page: Any, count: int) -> None:
    text = f"{count} clicks saved"
    page.wait_for_function("t => document.querySelector('#saved').textContent === t", arg=text)


def frame_of(page: Any) -> int:
    return int(page.locator("body").get_attribute("data-frame"))


def at_frame(page: Any, frame: int) -> None:
    page.wait_for_function("n => document.body.dataset.frame === n", arg=str(frame))


def helped(page: Any, camera: str, frame: int, point: str = "racket_tip") -> None:
    page.wait_for_function("t => document.body.dataset.helped === t", arg=f"{camera}/{frame}/{point}")


def test_five_frames_of_two_cameras_are_clicked_and_the_third_is_foretold(session: Path, context: Any) -> None:
    clicked: dict[tuple[str, int], np.ndarray] = {}
    with page_of(session, context) as seen:
        page = seen.page
        assert "tip in 5 frames of 2 cameras" in page.locator("#wanted").inner_text()
        for camera in ("rear_left", "rear_right"):
            page.locator(f"nav [data-camera={camera}]").click()
            for _ in range(5):
                if ("rear_left", frame_of(page)) in clicked or camera == "rear_right":
                    page.keyboard.press("n")
                frame = frame_of(page)
                uv = true_px(session, camera, frame)
                page.mouse.click(*on_screen(page, camera, uv))
                clicked[camera, frame] = uv
                saved(page, len(clicked))
        assert len(clicked) == 10
        assert page.locator("#wanted").inner_text().startswith("Enough around the crossing")
        page.locator("nav [data-camera=side]").click()
        page.keyboard.press("n")
        page.keyboard.press("ArrowRight")
        frame = frame_of(page)
        helped(page, "side", frame)
        ring = page.locator("#foretold circle").first
        got = np.array([float(ring.get_attribute(a)) for a in ("cx", "cy")])
        assert np.linalg.norm(got - true_px(session, "side", frame)) < 15
        page.keyboard.press("ArrowLeft")
        helped(page, "side", frame - 1)
        assert page.locator("#lines polyline").count() >= 2
    rows = read_racket_points(session / "racket_points.csv")
    assert {(r.camera, r.frame) for r in rows} == set(clicked)
    for row in rows:
        assert np.linalg.norm(np.array([row.u_px, row.v_px]) - clicked[row.camera, row.frame]) < 1.0


def test_keys_step_frames_and_points_and_undo_takes_back(session: Path, context: Any) -> None:
    with page_of(session, context) as seen:
        page = seen.page
        first = frame_of(page)
        page.keyboard.press("ArrowRight")
        at_frame(page, first + 1)
        page.keyboard.press("Shift+ArrowRight")
        at_frame(page, first + 6)
        assert page.locator("#asked").inner_text() == "racket tip:"
        page.keyboard.press("ArrowDown")
        assert page.locator("#asked").inner_text() == "racket throat:"
        page.mouse.click(*on_screen(page, "rear_left", np.array([600.0, 300.0])))
        saved(page, 1)
        page.mouse.click(*on_screen(page, "rear_left", np.array([640.0, 300.0])))
        saved(page, 1)
        (row,) = read_racket_points(session / "racket_points.csv")
        assert (row.point, row.frame, row.camera) == ("racket_throat", first + 6, "rear_left")
        assert row.u_px == pytest.approx(640.0, abs=1.0)
        page.keyboard.press("u")
        page.wait_for_function("document.querySelector('#placed line') !== null")
        saved(page, 1)
        (row,) = read_racket_points(session / "racket_points.csv")
        assert row.u_px == pytest.approx(600.0, abs=1.0)
        page.keyboard.press("Delete")
        saved(page, 0)
        assert not (session / "racket_points.csv").exists()
        page.keyboard.press("c")
        page.wait_for_function("document.body.dataset.camera === 'rear_right'")


def test_clicks_and_imports_of_an_earlier_visit_are_there_and_stay(session: Path, context: Any) -> None:
    text = "camera,time_s,point,u_px,v_px,sigma_px\nside,{:.4f},racket_tip,700.5,200.25,0.8\n"
    frame = round((EVENT_TIMES_S["contact"] - load_result(session).clocks.of("side").offset_s) * 120)
    (session / "racket_points.csv").write_text(text.format(frame / 120))
    with page_of(session, context) as seen:
        page = seen.page
        assert page.locator("nav [data-camera=side]").inner_text() == "side (1)"
        page.mouse.click(*on_screen(page, "rear_left", np.array([600.0, 300.0])))
        saved(page, 2)
    kept = [r for r in read_racket_points(session / "racket_points.csv") if r.camera == "side"]
    assert [(r.frame, r.u_px, r.sigma_px) for r in kept] == [(frame, 700.5, 0.8)]


def test_what_a_page_must_not_send_is_refused_and_nothing_is_written(session: Path) -> None:
    result = load_result(session)
    desk = RacketDesk(result, filmed_cameras(result))
    good = {"camera": "side", "frame": 3, "point": "racket_tip", "u_px": 3.0, "v_px": 4.0, "sigma_px": 2.0}
    wrong: list[Any] = [
        None, [1], [{**good, "more": 1}], [{**good, "u_px": "left"}], [{**good, "u_px": float("nan")}],
        [{**good, "point": "umbrella"}], [{**good, "camera": "attic"}], [good, good], [{**good, "frame": 5000}],
        [{**good, "frame": "3"}], [{**good, "u_px": 1279.6}], [{**good, "sigma_px": 0}],
    ]  # fmt: skip
    for rows in wrong:
        with pytest.raises(BadInput):
            desk.save(rows)
    for asked in (None, {"camera": "side"}, {"camera": "side", "frame": 9999, "point": POINTS[0]}):
        with pytest.raises(BadInput):
            desk.help(asked)
    assert not (session / "racket_points.csv").exists()
    assert desk.save([good])["saved"] == 1


def test_a_session_without_videos_is_refused(session: Path) -> None:
    with pytest.raises(BadInput, match="want a video"):
        RacketDesk(load_result(session), {})


def test_a_file_that_is_at_fault_opens_no_page(session: Path) -> None:
    (session / "racket_points.csv").write_text("camera,frame,point,u_px,v_px\nside,9999,racket_tip,1,2\n")
    result = load_result(session)
    with pytest.raises(BadInput, match="frame 9999 is beyond the clip"):
        click_racket(result, filmed_cameras(result), open_browser=False)
