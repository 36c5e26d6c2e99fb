"""The page on which tape is shown, in headless Chromium, on a drawn film of an INVENTED court."""

from __future__ import annotations

import re
import tomllib
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from recon.keypoints.markers import hues_apart_deg
from recon.pipeline.tape import judge_tape, measure_tape, tape_film
from recon.session import load_session
from recon.viewer.tape_page import TapeDesk, click_tape
from tests.support.chromium import Visit
from tests.support.clicking import served_page
from tests.support.taped_film import FPS, court, film_tape

_SIZE = (640, 480)
_PLACES = {"tip": (200, 100), "throat": (260, 180), "butt": (330, 260), "ball": (480, 300), "rival": (420, 80)}
_HUES = {"tip": 300.0, "throat": 190.0, "butt": 140.0, "ball": 70.0, "rival": 306.0}
_TOLD = 'rig = "../rig"\nhandedness = "right"\n[video]\nrear_left = "rear_left.mp4"\nside = "side.mp4"\n'
_SHOWN = round(4.0 * FPS)
"""A picture that shows the tape; the first ones do not."""


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("films")
    shown = court(_SIZE, _HUES, _PLACES)
    film_tape(folder / "rear_left.mp4", court(_SIZE, {}, {}))
    film_tape(folder / "side.mp4", shown)
    return folder


@pytest.fixture
def session(films: Path, tmp_path: Path) -> Path:
    for film in films.iterdir():
        (tmp_path / film.name).symlink_to(film)
    (tmp_path / "session.toml").write_text(_TOLD)
    return tmp_path


def page_of(folder: Path, context: Any, *cameras: str) -> AbstractContextManager[Visit]:
    """The page of a session, with the measuring that the command gives it."""
    own = [tape_film(load_session(folder), name) for name in cameras or ("rear_left", "side")]

    def write(shown: Any) -> str:
        return ", ".join(measure_tape(load_session(folder), shown).hues.hues_deg)

    desk = TapeDesk("court", own, lambda shown: judge_tape(load_session(folder), shown), write)
    return served_page(context, click_tape, desk)


def text(page: Any, name: str) -> str:
    return str(page.locator(name).inner_text())


def at_picture(page: Any, camera: str, index: int) -> None:
    page.wait_for_function("t => document.body.dataset.picture === t", arg=f"{camera}/{index}")


def look_at(page: Any, index: int) -> None:
    """The side camera's picture of that number, by its slider."""
    page.locator("nav [data-camera=side]").click()
    page.wait_for_function("document.body.dataset.picture.startsWith('side/')")
    page.locator("#instant").fill(str(index))
    at_picture(page, "side", index)


def click(page: Any, part: str, place: tuple[int, int]) -> None:
    """Choose a part, click a place of the picture, and wait for what is said of it."""
    page.locator(f"#points [data-point={part}]").click()
    before = page.locator("body").get_attribute("data-judged")
    box = page.locator("#picture image").bounding_box()
    page.mouse.click(
        box["x"] + (place[0] + 0.5) / _SIZE[0] * box["width"],
        box["y"] + (place[1] + 0.5) / _SIZE[1] * box["height"],
    )
    page.wait_for_function("n => document.body.dataset.judged !== n", arg=before)


def written(folder: Path) -> dict[str, float]:
    with (folder / "session.toml").open("rb") as file:
        return dict(tomllib.load(file)["tape"])


def test_tape_that_is_clicked_is_shown_as_taken_and_written(session: Path, context: Any) -> None:
    with page_of(session, context) as seen:
        page = seen.page
        look_at(page, _SHOWN)
        click(page, "tip", _PLACES["tip"])
        hue, saturation, value = re.findall(r"(?:hue|saturation|brightness) (\d+)", text(page, "#found"))
        assert hues_apart_deg(float(hue), _HUES["tip"]) <= 2.0
        assert (int(saturation), int(value)) == (pytest.approx(90, abs=2), pytest.approx(230, abs=4))
        assert (session / "session.toml").read_text() == _TOLD  # a click alone writes nothing
        points = [p.split(",") for p in page.locator("#placed polygon").first.get_attribute("points").split()]
        for axis, middle in enumerate(_PLACES["tip"]):
            along = [float(p[axis]) for p in points]
            assert min(along) == pytest.approx(middle - 8.375, abs=1.1)
            assert max(along) == pytest.approx(middle + 8.375, abs=1.1)
        for part in ("throat", "butt", "ball"):
            click(page, part, _PLACES[part])
        assert text(page, "#saved") == "not written yet"
        page.locator("#write").click()
        page.wait_for_function("document.querySelector('#saved').textContent === 'written'")
        assert "tip, throat, butt, ball" in text(page, "#result")
    told = written(session)
    for part in ("tip", "throat", "butt", "ball"):
        assert hues_apart_deg(told[f"{part}_hue_deg"], _HUES[part]) < 2.0, part
    assert (session / "derived" / "tape.png").is_file()


def test_grey_court_is_no_tape_and_nothing_is_written(session: Path, context: Any) -> None:
    with page_of(session, context, "side") as seen:
        page = seen.page
        click(page, "butt", _PLACES["butt"])  # the first picture shows the bare court
        assert "Not tape" in text(page, "#found") and "too pale" in text(page, "#found")
        assert page.locator("#placed polygon").count() == 0
        page.locator("#write").click()
        page.wait_for_function(
            "document.querySelector('#result').textContent.startsWith('Nothing was written.')"
        )
        assert "too pale" in text(page, "#result")
        page.keyboard.press("u")
        page.wait_for_function("document.querySelector('#write').disabled")
    assert (session / "session.toml").read_text() == _TOLD
    assert not (session / "derived").exists()


def test_colours_too_close_and_the_same_elsewhere_are_said_at_once(session: Path, context: Any) -> None:
    with page_of(session, context, "side") as seen:
        page = seen.page
        look_at(page, _SHOWN)
        click(page, "tip", _PLACES["tip"])
        assert "shows the tip's colour elsewhere too" in text(page, "#result")
        click(page, "throat", _PLACES["rival"])
        assert "This would not be written" in text(page, "#result")
        assert re.search(r"tip at 30\d° and throat at 30\d°", text(page, "#result"))
        page.keyboard.press("Delete")
        page.wait_for_function("!document.querySelector('#result').textContent.includes('throat')")


def test_keys_step_pictures_parts_and_cameras_and_clicks_stay_with_their_picture(
    session: Path, context: Any
) -> None:
    with page_of(session, context) as seen:
        page = seen.page
        at_picture(page, "rear_left", 0)
        page.keyboard.press("ArrowRight")
        at_picture(page, "rear_left", 1)
        page.keyboard.press("Shift+ArrowRight")
        at_picture(page, "rear_left", 1 + FPS)
        page.keyboard.press("ArrowDown")
        assert text(page, "#asked") == "throat:"
        page.keyboard.press("c")
        at_picture(page, "side", 1 + FPS)
        look_at(page, _SHOWN)
        click(page, "throat", _PLACES["throat"])
        page.keyboard.press("PageUp")
        at_picture(page, "side", 0)
        assert page.locator("#placed circle").count() == 0
        assert "In side at 4.00 s" in text(page, "#found")
        click(page, "throat", _PLACES["throat"])  # anew, where there is nothing
        assert "Not tape" in text(page, "#found")
        for undo in (page.locator("#undo").click, lambda: page.keyboard.press("Control+z")):
            undo()
            page.wait_for_function("document.querySelector('#found').textContent.startsWith('Taken')")
            click(page, "throat", _PLACES["throat"])
