"""Printed boards: true to scale in an outside reader's eyes, tiles without gap or overlap, clear refusals."""

from __future__ import annotations

import re
import shutil
import subprocess
import tomllib
import zlib
from base64 import a85decode
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner

from calibration.board import DICTIONARIES, Board, find_board
from calibration.board_form import BoardForm
from calibration.errors import BadInput
from calibration.sheets import (
    PAPERS_MM,
    Plan,
    black_rectangles_mm,
    board_for_paper,
    plan_poster,
    plan_sheet,
    write_sheets,
)
from calibration.sheets.layout import SEAM_SQUARES
from calibration.sheets.pattern import art_size_mm
from recon.cli import app

MM_PER_POINT = 25.4 / 72
DPI = 254  # 10 pixels per mm: whole millimetres fall on whole pixels, which poppler snaps edges to
PX_PER_MM = DPI / 25.4
needs_reader = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm (poppler) is not there")


def rasterised(path: Path, page: int = 1) -> NDArray[np.uint8]:
    """A page as poppler draws it."""
    out = path.with_suffix(f".{page}")
    command = ["pdftoppm", "-r", str(DPI), "-f", str(page), "-l", str(page), "-singlefile", "-gray", "-png"]
    subprocess.run([*command, str(path), str(out)], check=True)
    return np.asarray(cv2.imread(f"{out}.png", cv2.IMREAD_GRAYSCALE), dtype=np.uint8)


def drawing(path: Path) -> str:
    """The drawing operators of a PDF's first page."""
    stream = re.search(rb"stream\r?\n(.*?)endstream", path.read_bytes(), re.S)
    assert stream is not None
    return zlib.decompress(a85decode(stream[1].strip().removesuffix(b"~>"))).decode("latin-1")


@needs_reader
@pytest.mark.parametrize(("paper", "kind"), [("a4", "checkerboard"), ("a3", "charuco"), ("letter", "charuco")])
def test_a_sheet_as_an_outside_reader_draws_it(tmp_path: Path, paper: str, kind: str) -> None:
    board = board_for_paper(paper, kind=kind)
    plan = plan_sheet(board, paper)
    write_sheets(tmp_path / "board.pdf", plan)
    image = rasterised(tmp_path / "board.pdf")
    assert image.shape[::-1] == pytest.approx([v * PX_PER_MM for v in plan.size_mm], abs=1.5)
    assert {round(v, 1) for v in plan.size_mm} == set(PAPERS_MM[paper])
    found = find_board(image, board, thorough=True)
    assert found is not None and len(found.ids) == 54
    want = (board.points_m()[:, :2] / board.square_m + 1.5) * board.square_m * 1e3 + np.array(plan.at_mm)
    got = (found.px + 0.5) / PX_PER_MM
    if got[0, 0] > got[-1, 0]:
        got = got[::-1]
    for axis in range(2):
        scale, offset_mm = np.polyfit(want[:, axis], got[:, axis], 1)
        assert scale == pytest.approx(1, abs=2e-4)  # 0.02 mm over 100 mm
        assert abs(offset_mm) < 0.1  # the reader rounds the page to whole pixels of 0.1 mm
    assert np.std(got - want, axis=0).max() < 0.02


def test_scale_of_the_drawing_operators(tmp_path: Path) -> None:
    """The page's own operators: one pattern unit is 1 mm, and the first black square has the square's size."""
    board = board_for_paper("a4")
    write_sheets(tmp_path / "board.pdf", plan_sheet(board, "a4"))
    text = drawing(tmp_path / "board.pdf")
    matrices = [[float(v) for v in m.split()] for m in re.findall(r"((?:-?[\d.]+ ){6})cm", text)]
    scales = {(round(m[0] * MM_PER_POINT, 5), round(m[3] * MM_PER_POINT, 5)) for m in matrices} - {
        (round(MM_PER_POINT, 5),) * 2
    }
    assert scales == {(1.0, -1.0)}
    side = board.square_m * 1e3
    sides = [tuple(float(v) for v in r.split()[2:]) for r in re.findall(r"((?:-?[\d.]+ ){4})re", text)]
    assert sides.count((side, side)) == len(black_rectangles_mm(board)) == 35
    assert b"/PrintScaling /None" in (tmp_path / "board.pdf").read_bytes()


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_all_words_lie_inside_what_printers_reach(tmp_path: Path, paper: str) -> None:
    plan = plan_sheet(board_for_paper(paper, kind="charuco"), paper)
    write_sheets(tmp_path / "board.pdf", plan)
    spots = re.findall(r"BT 1 0 0 1 (-?[\d.]+) (-?[\d.]+) Tm", drawing(tmp_path / "board.pdf"))
    at_mm = np.array(spots, dtype=float) * MM_PER_POINT
    assert len(at_mm) > 40 and at_mm.min() > 5.9
    assert (at_mm < np.array(plan.size_mm) - 5.0).all()


@pytest.mark.parametrize("name", ["4x4_250", "5x5_100", "6x6_50"])
def test_the_charuco_pattern_is_opencvs_own(name: str) -> None:
    cells = int(name[0]) + 2
    side = 20.0
    board = Board(5, 4, side / 1e3, kind="charuco", marker_m=0.7 * side / 1e3, dictionary=name)
    fine = 20 * cells  # pixels per square: 14 for each of a marker's cells, so that OpenCV need not round
    width, height = (round(v / side * fine) for v in art_size_mm(board))
    ours = np.full((height, width), 255, np.uint8)
    for x, y, w, h in black_rectangles_mm(board):
        x0, y0, x1, y1 = (round(v / side * fine) for v in (x, y, x + w, y + h))
        assert (ours[y0:y1, x0:x1] == 255).all(), "two rectangles overlap"
        ours[y0:y1, x0:x1] = 0
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARIES[name])
    theirs = cv2.aruco.CharucoBoard((6, 5), 1.0, 0.7, dictionary).generateImage((6 * fine, 5 * fine))
    np.testing.assert_array_equal(ours[fine // 2 : -(fine // 2), fine // 2 : -(fine // 2)], theirs)


def poster(kind: str = "checkerboard", paper: str = "a4", **keys: float) -> Plan:
    return plan_poster(board_for_paper("poster", kind=kind, **keys), paper)


@pytest.mark.parametrize(("paper", "square_mm"), [("a4", 100.0), ("a3", 100.0), ("letter", 80.0), ("a4", 37.0)])
def test_tiles_cover_the_poster_exactly(paper: str, square_mm: float) -> None:
    plan = poster(paper=paper, square_mm=square_mm)
    width, height = art_size_mm(plan.board)
    assert sum(w * h for _, _, w, h in (p.own for p in plan.pages)) == pytest.approx(width * height)
    rng = np.random.default_rng(3)
    spots = rng.uniform((0, 0), (width, height), (2000, 2))
    holders = sum(
        (spots[:, 0] >= x) & (spots[:, 0] < x + w) & (spots[:, 1] >= y) & (spots[:, 1] < y + h)
        for x, y, w, h in (p.own for p in plan.pages)
    )
    assert (np.asarray(holders) == 1).all()
    for page in plan.pages:
        assert page.printed[2] <= plan.room_mm[0] and page.printed[3] <= plan.room_mm[1]
        assert page.printed[:2] == page.own[:2] and all(np.array(page.printed[2:]) >= page.own[2:])


def test_no_seam_runs_near_a_line_of_corners() -> None:
    plan = poster()
    side = plan.board.square_m * 1e3
    width, height = art_size_mm(plan.board)
    for page in plan.pages:
        for at, end in ((page.own[0], width), (page.own[1], height)):
            if 0 < at < end:
                past = (at / side - 0.5) % 1.0
                assert SEAM_SQUARES - 1e-9 <= past <= 1 - SEAM_SQUARES + 1e-9


@needs_reader
def test_a_poster_put_together_is_found(tmp_path: Path) -> None:
    """The pages as poppler draws them, cut at their own part and laid side by side."""
    plan = poster("charuco", "a3", square_mm=60.0)
    write_sheets(tmp_path / "poster.pdf", plan)
    width, height = art_size_mm(plan.board)
    whole = np.full((round(height * PX_PER_MM), round(width * PX_PER_MM)), 128, np.uint8)
    for number, page in enumerate(plan.pages, start=2):  # the first page is the guide
        image = rasterised(tmp_path / "poster.pdf", number)
        x, y, w, h = (round(v * PX_PER_MM) for v in page.own)
        left, top = (round(v * PX_PER_MM) for v in plan.at_mm)
        part = image[top : top + h, left : left + w]
        whole[y : y + part.shape[0], x : x + part.shape[1]] = part[: whole.shape[0] - y, : whole.shape[1] - x]
    found = find_board(whole, plan.board, thorough=True)
    assert found is not None and len(found.ids) == 54
    want = (plan.board.points_m()[:, :2] / plan.board.square_m + 1.5) * 60.0
    assert np.abs((found.px + 0.5) / PX_PER_MM - want).max() < 0.2  # pages are laid to whole pixels of 0.1 mm


def test_same_plan_same_bytes(tmp_path: Path) -> None:
    plan = plan_sheet(board_for_paper("a4"), "a4")
    write_sheets(tmp_path / "a.pdf", plan)
    write_sheets(tmp_path / "b.pdf", plan)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_the_command_prints_lines_that_make_the_same_board(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["board", str(tmp_path / "b.pdf"), "--paper", "a3", "--kind", "charuco"])
    assert done.exit_code == 0 and (tmp_path / "b.pdf").read_bytes().startswith(b"%PDF")
    table = tomllib.loads(done.stdout[done.stdout.index("[board]") :])["board"]
    made, wanted = BoardForm.model_validate(table).to_board(), board_for_paper("a3", kind="charuco")
    assert made.square_m == pytest.approx(wanted.square_m) and made.marker_m == pytest.approx(wanted.marker_m)
    assert (made.columns, made.rows, made.dictionary) == (wanted.columns, wanted.rows, wanted.dictionary)


@pytest.mark.parametrize(
    ("paper", "keys", "wanted"),
    [
        ("a5", {}, "paper: want a4, a3, letter, got 'a5'"),
        ("a4", {"square_mm": 40.0}, "more than a4 paper holds .* the largest squares that fit have 19 mm"),
        ("a4", {"columns": 6, "rows": 9}, "want more inner corners along the longer side"),
        ("a4", {"kind": "charuco", "square_mm": 18.0, "marker_mm": 18.0}, "want markers of 7.2 to 16.2 mm"),
        ("a4", {"kind": "checkerboard", "dictionary": "4x4_250"}, "a checkerboard has no markers"),
    ],
)
def test_boards_that_cannot_be_printed_are_refused(paper: str, keys: dict[str, object], wanted: str) -> None:
    with pytest.raises(BadInput, match=wanted):
        plan_sheet(board_for_paper(paper, **keys), paper)


def test_squares_larger_than_a_page_allows_are_refused() -> None:
    with pytest.raises(BadInput, match="squares of 400 mm are too large for these pages"):
        poster(square_mm=400.0)
