"""What the tape page's server answers, and what must not be sent to it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from queue import Queue
from threading import Thread
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from calibration import BadInput
from recon.cli import app
from recon.keypoints.tape_colours import PARTS
from recon.pipeline.tape import JudgedTape, judge_tape, measure_tape, tape_film, tape_picture
from recon.session import load_session
from recon.viewer.tape_page import HOW, TapeDesk, click_tape, outlines_px
from tests.support.taped_film import FPS, SHOWN_S, court, film_tape

SIZE = (320, 240)
PLACES = {"tip": (60, 40), "throat": (120, 60), "ball": (250, 200), "edge_1": (40, 200), "edge_2": (90, 215)}
HUES = {"tip": 300.0, "throat": 190.0, "ball": 70.0, "edge_1": 250.0, "edge_2": 252.0}
TOLD = 'rig = "../rig"\nhandedness = "right"\n[video]\na = "a.mp4"\nb = "b.mp4"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "session.toml").write_text(TOLD, encoding="utf-8")
    cv2.imwrite(str(tmp_path / "light.png"), court(SIZE, HUES, PLACES))
    return tmp_path


@pytest.fixture
def desk(folder: Path) -> TapeDesk:
    films = [tape_picture(folder / "light.png")]

    def write(shown: Any) -> str:
        return str(measure_tape(load_session(folder), shown).hues.hues_deg)

    return TapeDesk("light", films, lambda shown: judge_tape(load_session(folder), shown), write)


def clicked(
    part: str, at: tuple[float, float] | None = None, camera: str = "light.png", index: int = 0
) -> dict:
    u, v = PLACES[part] if at is None else at
    return {"camera": camera, "at": index, "part": part, "u_px": u, "v_px": v}


def test_the_page_asks_for_every_part_and_no_other() -> None:
    assert {name.partition("_")[0] for name in HOW} == set(PARTS)
    assert [name for name in HOW if name.startswith("edge")] == ["edge_1", "edge_2"]


def test_each_click_is_answered_with_its_patch_or_the_reason(desk: TapeDesk, folder: Path) -> None:
    found = desk.judged([clicked("tip"), clicked("throat", (10, 10))])
    tip = found["parts"]["tip"]
    assert tip["hue_deg"] == pytest.approx(300.0, abs=1.5) and tip["saturation"] == pytest.approx(0.9, abs=0.01)
    assert tip["value"] == pytest.approx(0.9 * 255, abs=1.0) and tip["colour"] == "rgb(230, 23, 230)"
    assert "too pale" in found["parts"]["throat"]["refusal"]
    assert found["kept_deg"]["throat"] == 190.0 and found["kept_deg"]["edge_2"] is None
    assert found["refusal"] is None and found["cautions"] == []
    assert (folder / "session.toml").read_text() == TOLD


def test_what_would_not_be_written_is_said_before(desk: TapeDesk, folder: Path) -> None:
    close = desk.judged(
        [clicked("tip"), clicked("throat", PLACES["edge_1"]), clicked("butt", PLACES["edge_2"])]
    )
    assert "throat at" in close["refusal"] and "butt at" in close["refusal"]
    kept = desk.judged([clicked("tip", PLACES["throat"])])
    assert "throat at 190° (kept, not shown)" in kept["refusal"]
    with pytest.raises(BadInput, match="throat at 190°"):
        desk.written([clicked("tip", PLACES["throat"])])
    with pytest.raises(BadInput, match="too pale"):
        desk.written([clicked("tip"), clicked("throat", (10, 10))])
    assert (folder / "session.toml").read_text() == TOLD
    desk.written([clicked("tip"), clicked("edge_1"), clicked("edge_2")])
    tape = load_session(folder).file.tape
    assert tape.tip_hue_deg == pytest.approx(300.0, abs=1.5)
    assert tape.edge_hue_deg == pytest.approx(251.0, abs=1.5)  # the two sides are one colour


def test_a_court_that_is_clicked_for_tape_is_named(folder: Path) -> None:
    image = court(SIZE, HUES, PLACES)
    image[120:, 150:] = (180, 90, 20)  # a painted court, larger than tape may be
    judged = judge_tape(load_session(folder), [(image, "butt", 230.0, 180.0)])
    assert any("may be court or clothes" in words for words in judged.cautions)
    alone = judge_tape(load_session(folder), [(image, "tip", 60.0, 40.0)])
    assert not any("court" in words for words in alone.cautions)


def test_parts_of_two_pictures_are_written_together_and_drawn_below_one_another(folder: Path) -> None:
    one, two = court(SIZE, {"tip": 300.0}, PLACES), court((200, 210), {"throat": 190.0}, PLACES)
    found = measure_tape(load_session(folder), [(one, "tip", 60.0, 40.0), (two, "throat", 120.0, 60.0)])
    assert found.hues.hues_deg["tip"] == pytest.approx(300.0, abs=1.5)
    drawn = cv2.imread(str(found.picture))
    assert drawn is not None and drawn.shape == (240 + 210, 320, 3)
    assert drawn[40, 60].max() > 200 and drawn[240 + 60, 120].max() > 200
    assert drawn[60, 120].max() < 60


def test_an_outline_goes_round_pixels_and_holes() -> None:
    """By hand: pixels 3…5 by 2…4 without the middle; lines lie 1/8 px within the border, at 2.5 and 5.5."""
    inside = np.zeros((8, 9), bool)
    inside[2:5, 3:6] = True
    inside[3, 4] = False
    outer, hole = sorted(outlines_px(inside), key=lambda line: -np.ptp([p[0] for p in line]))
    assert (min(p[0] for p in outer), max(p[0] for p in outer)) == (2.625, 5.375)
    assert (min(p[1] for p in outer), max(p[1] for p in outer)) == (1.625, 4.375)
    assert (min(p[0] for p in hole), max(p[0] for p in hole)) == (3.375, 4.625)


def test_what_a_page_must_not_send_is_refused_and_nothing_is_written(desk: TapeDesk, folder: Path) -> None:
    good = clicked("tip")
    wrong: list[Any] = [
        None, [1], [{**good, "more": 1}], [{**good, "u_px": "left"}], [{**good, "u_px": float("nan")}],
        [{**good, "part": "umbrella"}], [{**good, "camera": "attic"}], [good, good], [{**good, "at": 1}],
        [{**good, "at": -1}], [{**good, "at": "0"}], [{**good, "at": True}],
    ]  # fmt: skip
    for body in wrong:
        for ask in (desk.judged, desk.written):
            with pytest.raises(BadInput, match="clicks:"):
                ask(body)
    with pytest.raises(BadInput, match="at least one part"):
        desk.written([])
    assert (folder / "session.toml").read_text() == TOLD
    assert desk.judged([]) == {
        "parts": {},
        "kept_deg": desk.judged([good])["kept_deg"],
        "refusal": None,
        "cautions": [],
    }


def test_a_session_without_anything_to_click_in_is_refused() -> None:
    with pytest.raises(BadInput, match="want a video"):
        TapeDesk("court", [], lambda _: JudgedTape((), {}), lambda _: "")


def run_page(folder: Path, monkeypatch: pytest.MonkeyPatch, *words: str) -> TapeDesk:
    """What the command opens its page with."""
    opened: list[TapeDesk] = []
    monkeypatch.setattr("recon.viewer.tape_page.click_tape", lambda desk, **_: opened.append(desk))
    done = CliRunner().invoke(app, ["tape", str(folder), *words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    (desk,) = opened
    return desk


def test_the_command_without_pixels_opens_the_page(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a", "b"):
        film_tape(folder / f"{name}.mp4", court(SIZE, HUES, PLACES))
    both = run_page(folder, monkeypatch).state()
    assert [c["name"] for c in both["cameras"]] == ["a", "b"] and both["start_s"] == 0.0
    one = run_page(folder, monkeypatch, "--camera", "b", "--time", "3.5").state()
    assert [c["name"] for c in one["cameras"]] == ["b"] and one["start_s"] == 3.5
    still = run_page(folder, monkeypatch, "--picture", str(folder / "light.png"))
    assert [(c["name"], c["count"]) for c in still.state()["cameras"]] == [("light.png", 1)]
    assert (folder / "session.toml").read_text() == TOLD
    said = still.written([clicked("tip")])["written"]
    assert said.startswith("Written into session.toml: tip 30") and "derived/tape.png" in said
    assert load_session(folder).file.tape.tip_hue_deg == pytest.approx(300.0, abs=1.5)
    throat = still.written([clicked("throat")])["written"]  # what was written a moment ago is kept
    assert load_session(folder).file.tape.tip_hue_deg == pytest.approx(300.0, abs=1.5) and "tip 30" in throat


def test_a_picture_that_cannot_be_read_is_said_to_the_page(folder: Path) -> None:
    film_tape(folder / "a.mp4", court(SIZE, HUES, PLACES))
    film = replace(tape_film(load_session(folder), "a"), count=5000)  # a head that promises too much
    ready: Queue[str] = Queue()
    desk = TapeDesk("court", [film], lambda _: JudgedTape((), {}), lambda _: "")
    serving = Thread(target=click_tape, args=(desk,), kwargs={"open_browser": False, "on_ready": ready.put})
    serving.start()
    url = ready.get(timeout=30)
    try:
        with urlopen(f"{url}picture/0/7", timeout=30) as answer:
            assert answer.headers["Content-Type"] == "image/jpeg"
        for path, status, words in (("4999", 422, "no frame at or after"), ("5000", 404, "no such page")):
            with pytest.raises(HTTPError) as refused:
                urlopen(f"{url}picture/0/{path}", timeout=30)
            assert refused.value.code == status and words in refused.value.read().decode()
            refused.value.close()
    finally:
        urlopen(Request(f"{url}finish", b"null", {"Content-Type": "application/json"}), timeout=30).close()
        serving.join(30)
    assert not serving.is_alive()


def test_every_picture_of_a_film_has_its_number(folder: Path) -> None:
    film_tape(folder / "a.mp4", court(SIZE, HUES, PLACES))
    film = tape_film(load_session(folder), "a")
    assert (film.count, film.size_px) == (6 * FPS, SIZE)
    assert film.step_s == pytest.approx(1 / FPS)
    first, stop = (round(t * FPS) for t in SHOWN_S)
    u, v = PLACES["tip"]
    there = [bool(np.ptp(film.picture(k)[v, u].astype(int)) > 100) for k in (first - 1, first, stop - 1, stop)]
    assert there == [False, True, True, False]
    assert film.picture(0).shape == film.picture(film.count - 1).shape == (240, 320, 3)
    with pytest.raises(BadInput, match="no frame at or after"):
        film.picture(film.count + 1)
