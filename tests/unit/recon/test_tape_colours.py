"""Tape colours from one picture: hues by hand, what is refused, and the session file that keeps the rest."""

from __future__ import annotations

import colorsys
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from calibration import BadInput
from recon.cli import app
from recon.keypoints import TapePatch, patch_at, tape_hues
from recon.keypoints.markers import hues_apart_deg
from recon.keypoints.tape_colours import circular_middle_deg
from recon.pipeline.reading import markers_of
from recon.session import TapeColours, load_session

SIZE = (240, 320)
PLACES = {"tip": (60, 40), "throat": (120, 60), "butt": (180, 150), "ball": (250, 200)}
HUES = {"tip": 318.0, "throat": 190.0, "butt": 140.0, "ball": 70.0}
TOLD = '# ours\nrig = "../rig"  # the academy\'s\nhandedness = "right"\n[video]\na = "a.mp4"\nb = "b.mp4"\n'


def bgr(hue_deg: float, saturation: float = 0.9, value: float = 0.9) -> np.ndarray:
    red, green, blue = colorsys.hsv_to_rgb(hue_deg / 360, saturation, value)
    return np.round(255 * np.array([blue, green, red]))


def filmed(hues: dict[str, float], noise: float = 4.0, saturation: float = 0.9) -> np.ndarray:
    """Grey ground with a disc of 5 px for each part, and sensor noise."""
    picture = np.full((*SIZE, 3), 105.0)
    for part, hue in hues.items():
        disc = np.zeros(SIZE, np.uint8)
        cv2.circle(disc, PLACES[part], 5, 255, -1)
        picture[disc > 0] = bgr(hue, saturation)
    picture += np.random.default_rng(3).normal(0, noise, picture.shape)
    return np.clip(np.round(picture), 0, 255).astype(np.uint8)


def test_the_middle_of_hues_goes_round_the_circle() -> None:
    """By hand: the middle of 350, 0 and 10 is 0, and so is that of 350, 356, 4 and a far one at 40."""
    for hues in ([350.0, 0.0, 10.0], [350.0, 356.0, 4.0, 40.0]):
        assert hues_apart_deg(circular_middle_deg(np.array(hues)), 0.0) < 1e-9
    assert hues_apart_deg(350.0, 15.0) == pytest.approx(25.0)
    assert hues_apart_deg(10.0, 200.0) == pytest.approx(170.0)


@pytest.mark.parametrize("part", list(PLACES))
def test_a_patch_is_measured_as_it_was_painted(part: str) -> None:
    patch = patch_at(filmed(HUES), part, PLACES[part])
    assert hues_apart_deg(patch.hue_deg, HUES[part]) < 2.0
    assert patch.spread_deg < 8.0
    assert abs(int(patch.inside.sum()) - 81) <= 12  # a disc of radius 5 as opencv fills it
    assert patch.saturation == pytest.approx(0.9, abs=0.04)


@pytest.mark.parametrize("corner", [(2, 3), (SIZE[1] - 3, 3), (2, SIZE[0] - 4), (SIZE[1] - 3, SIZE[0] - 4)])
def test_a_patch_in_a_corner_of_the_picture_is_measured_there(corner: tuple[int, int]) -> None:
    picture = np.full((*SIZE, 3), 105, np.uint8)
    cv2.rectangle(
        picture, (corner[0] - 2, corner[1] - 2), (corner[0] + 2, corner[1] + 2), bgr(190.0).tolist(), -1
    )
    v, u = np.nonzero(patch_at(picture, "throat", corner).inside)
    assert (u.min(), u.max(), v.min(), v.max()) == (
        corner[0] - 2, corner[0] + 2, corner[1] - 2, corner[1] + 2
    )  # fmt: skip


@pytest.mark.parametrize(
    ("picture", "at", "wanted"),
    [
        (filmed(HUES), (400, 10), "inside the picture"),
        (filmed(HUES), (10, 10), "saturation"),
        (filmed(HUES, saturation=0.2), PLACES["tip"], "saturation"),
        ((0.3 * filmed(HUES)).astype(np.uint8), PLACES["tip"], "brightness"),
    ],
)
def test_what_no_video_would_show_is_refused(picture: np.ndarray, at: tuple[int, int], wanted: str) -> None:
    with pytest.raises(BadInput, match=f"tip: want .*{wanted}"):
        patch_at(picture, "tip", at)


def patches(hues: dict[str, float]) -> list[TapePatch]:
    picture = filmed(hues)
    return [patch_at(picture, part, PLACES[part]) for part in hues]


def test_hues_must_be_apart_and_skin_is_said() -> None:
    with pytest.raises(BadInput, match=r"tip at .* and throat at"):
        tape_hues(patches({"tip": 318.0, "throat": 325.0}), {})
    with pytest.raises(BadInput, match=r"tip at .* and butt at"):  # one that was not shown keeps its hue
        tape_hues(patches({"tip": 318.0}), {"butt": 310.0})
    assert tape_hues(patches(HUES), {}).cautions == ()
    orange = tape_hues(patches({"tip": 25.0, "ball": 70.0}), {})
    assert len(orange.cautions) == 1
    assert "skin" in orange.cautions[0]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "session.toml").write_text(TOLD, encoding="utf-8")
    cv2.imwrite(str(tmp_path / "light.png"), filmed(HUES | {"tip": 300.0}))
    return tmp_path


def run(folder: Path, *words: str) -> str:
    done = CliRunner().invoke(app, ["tape", str(folder), "--picture", str(folder / "light.png"), *words])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0
    return done.output


def test_the_command_writes_the_colours_and_keeps_the_rest_of_the_file(folder: Path) -> None:
    words = [w for part, (u, v) in PLACES.items() for w in (f"--{part}", f"{u},{v}")]
    said = run(folder, *words)
    text = (folder / "session.toml").read_text(encoding="utf-8")
    assert text.startswith(TOLD.rstrip("\n"))
    tape = load_session(folder).file.tape
    found = dict(zip(PLACES, tape.hues_deg, strict=True))
    for part, hue in (HUES | {"tip": 300.0}).items():
        assert hues_apart_deg(found[part], hue) < 2.0, part
    assert 8.0 <= tape.tolerance_deg <= 20.0
    assert tape.edge_hue_deg is None
    assert "session.toml" in said
    shown = cv2.imread(str(folder / "derived" / "tape.png"))
    assert shown is not None
    assert shown.shape == (*SIZE, 3)
    for u, v in PLACES.values():
        assert shown[v, u].max() > 200  # what was taken stays bright
    assert shown[10, 10].max() < 60  # the rest is dark


def test_a_second_run_changes_what_is_shown_and_nothing_else(folder: Path) -> None:
    run(folder, "--tip", "60,40")
    first = load_session(folder).file.tape
    assert first.hues_deg[1:] == TapeColours().hues_deg[1:]
    run(folder, "--throat", "120,60")
    second = load_session(folder).file.tape
    assert second.tip_hue_deg == first.tip_hue_deg
    assert (folder / "session.toml").read_text(encoding="utf-8").count("[tape]") == 1


def test_head_edges_are_sought_once_their_colour_was_shown(folder: Path) -> None:
    picture = filmed(HUES)
    for at in ((40, 200), (90, 215)):
        cv2.circle(picture, at, 4, bgr(250.0).tolist(), -1)
    cv2.imwrite(str(folder / "light.png"), picture)
    assert markers_of(load_session(folder).file.tape).edge_hue_deg is None
    run(folder, "--edge", "40,200", "--edge", "90,215")
    told = markers_of(load_session(folder).file.tape).edge_hue_deg
    assert told is not None
    assert hues_apart_deg(told, 250.0) < 2.0


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (["--tip", "60;40"], "--tip: want a pixel as U,V"),
        (["--camera", "a"], "either --picture FILE or --camera"),
        (["--camera", "a", "--tip", "60,40"], "either --picture FILE or --camera"),
    ],
)
def test_a_mistake_on_the_command_line_is_said_and_nothing_is_written(
    folder: Path, words: list[str], wanted: str
) -> None:
    with pytest.raises(BadInput, match=wanted):
        run(folder, *words)
    assert (folder / "session.toml").read_text(encoding="utf-8") == TOLD


def test_a_colour_that_clothes_have_too_is_said(folder: Path) -> None:
    picture = filmed(HUES)
    cv2.circle(picture, (280, 60), 6, bgr(318.0).tolist(), -1)
    cv2.imwrite(str(folder / "light.png"), picture)
    done = CliRunner().invoke(
        app, ["tape", str(folder), "--picture", str(folder / "light.png"), "--tip", "60,40"]
    )
    assert "tip's colour elsewhere too (patches: 1)" in " ".join((done.output + done.stderr).split())
