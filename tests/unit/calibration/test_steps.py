"""The three calibration steps on small rendered footage: from pixels to cameras in the court."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.board import Board
from calibration.court.clicks import Click
from calibration.court.model import COURT_POINTS_M
from calibration.errors import BadInput
from calibration.files import load_rig, save_rig
from calibration.folder import read_clicks, write_clicks
from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_CAMERA, SHIFT
from calibration.history import calibrations
from calibration.provenance import content_hash
from calibration.steps import run_court, run_lens, run_rig
from tests.support.board_pictures import board_picture, make_camera, noisy, write_video
from tests.support.rig_worlds import squared_in_sigmas

SIZE_PX, FOCAL_PX = (480, 270), 375.0
BOARD = Board(7, 4, 0.12)
STARTS_S = {"left": 0.0, "right": 0.9}
RIG_TOML = """
name = "small (invented)"
[board]
columns = 7
rows = 4
square_mm = 120.0
[[camera]]
name = "left"
lens_footage = "lens/left.mp4"
[[camera]]
name = "right"
lens_footage = "lens/right.mp4"
[[shared]]
[shared.footage]
left = "shared/left.mp4"
right = "shared/right.mp4"
"""


def camera(name: str, place: tuple[float, float, float]) -> Camera:
    return make_camera(name, SIZE_PX, FOCAL_PX, Rigid.aimed(name, place, (0.0, 0.6, 0.8)))


TRUE = {"left": camera("left", (-1.9, -2.2, 1.9)), "right": camera("right", (2.0, -2.1, 1.8))}


def board_in(cam: Camera, turn: tuple[float, float, float], middle: tuple[float, float, float]) -> Rigid:
    R = Rigid.from_rotvec(np.array(turn), np.zeros(3), "x", "board").R
    local = Rigid(R, np.array(middle) - R @ BOARD.centre_m(), f"cam_{cam.name}", "board")
    return cam.cam_from_world.inverse() @ local


def picture(cam: Camera, pose: Rigid, rng: np.random.Generator) -> np.ndarray:
    return noisy(board_picture(cam, pose, BOARD.columns, BOARD.rows, BOARD.square_m), rng)


def lens_pictures(cam: Camera, rng: np.random.Generator) -> Iterator[np.ndarray]:
    places = [(-0.32, -0.12), (0.32, -0.12), (-0.32, 0.12), (0.32, 0.12), (0.0, 0.0), (0.2, 0.0)]
    for i, (x, y) in enumerate(places * 2):
        turn = (0.5 * (-1) ** i, 0.5 * (-1) ** (i // 2), 0.15 * (i % 3 - 1))
        distance = 2.2 if i < 6 else 1.8
        yield picture(cam, board_in(cam, turn, (x * distance, y * distance, distance)), rng)


def shared_poses() -> list[Rigid]:
    """Upright boards around the server, facing the rear, each turned another way."""
    upright = np.array(
        [[1.0, 0, 0], [0, 0, 1], [0, -1, 0]]
    )  # court from board: x right, board's y down, z to the net
    poses = []
    for i, (x, y, z) in enumerate([(0, 0.2, 0.8), (0.3, 0.6, 0.5), (-0.3, 0.5, 1.1), (0.1, 1.0, 0.9),
                                   (-0.2, 0.1, 0.6), (0.25, 0.3, 1.2), (0.0, 0.8, 0.4)]):  # fmt: skip
        turn = Rigid.from_rotvec(
            np.array([0.35 * (-1) ** i, 0.12 * i - 0.3, 0.3 * (i % 3 - 1)]), np.zeros(3), "a", "b"
        ).R
        R = turn @ upright
        poses.append(Rigid(R, np.array([x, y, z]) - R @ BOARD.centre_m(), "court", "board"))
    return poses


def shared_pictures(cam: Camera, start_s: float, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """15 frames per second: each pose held for 8 frames, 3 frames on the way to the next."""
    timeline: list[tuple[Rigid, Rigid, float]] = []
    poses = shared_poses()
    for a, b in zip(poses, [*poses[1:], poses[-1]], strict=True):
        timeline += [(a, a, 0.0)] * 8 + ([(a, b, p) for p in (0.25, 0.5, 0.75)] if b is not a else [])
    drawn: dict[int, np.ndarray] = {}
    for a, b, part in timeline[round(15 * start_s) :]:
        if part == 0:
            if id(a) not in drawn:
                drawn[id(a)] = board_picture(cam, a, BOARD.columns, BOARD.rows, BOARD.square_m)
            yield noisy(drawn[id(a)], rng)
        else:
            turn = Rigid(b.R @ a.R.T, np.zeros(3), "c", "c").rotvec_rad() * part
            R = Rigid.from_rotvec(turn, np.zeros(3), "c", "c").R @ a.R
            yield picture(cam, Rigid(R, a.t_m + part * (b.t_m - a.t_m), "court", "board"), rng)


@pytest.fixture(scope="module")
def rig_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rig")
    rng = np.random.default_rng(1)
    (folder / "rig.toml").write_text(RIG_TOML)
    clicks = []
    for name, cam in TRUE.items():
        write_video(folder / "lens" / f"{name}.mp4", lens_pictures(cam, rng), fps=6)
        write_video(folder / "shared" / f"{name}.mp4", shared_pictures(cam, STARTS_S[name], rng), fps=15)
        for point, x in COURT_POINTS_M.items():
            uv = cam.project(np.array(x))
            if np.isfinite(uv).all() and (uv > 3).all() and (uv < np.array(SIZE_PX) - 4).all():
                clicks.append(Click(name, point, uv + rng.normal(0, 0.3, 2)))
    write_clicks(folder / "court_clicks.csv", clicks)
    run_court(folder)
    return folder


def changed(folder: Path, tmp_path: Path, old: str, new: str) -> Path:
    """The same rig folder with another rig.toml, footage linked."""
    assert old in RIG_TOML
    for part in ("lens", "shared", "court_clicks.csv"):
        (tmp_path / part).symlink_to(folder / part)
    (tmp_path / "rig.toml").write_text(RIG_TOML.replace(old, new))
    return tmp_path


def test_from_pixels_to_the_court(rig_folder: Path) -> None:
    rig = run_court(rig_folder)
    assert rig.frame == "court" and rig.names == ("left", "right") and rig.board_views >= 5
    assert max(rig.camera_rms_px) < 0.3
    errors = [rig.camera(n).centre_m() - c.centre_m() for n, c in TRUE.items()]
    assert np.linalg.norm(errors, axis=1).max() < 0.03  # coarse pictures: 375 px focal length
    squared, freedom = squared_in_sigmas(
        np.concatenate(errors), np.kron(np.eye(2), np.eye(3) * centre_u(rig.covariance) ** 2)
    )
    assert squared / freedom < 4
    assert rig.court is not None and all(c.used for c in rig.court.clicks)


def centre_u(covariance: np.ndarray) -> float:
    """A typical standard uncertainty of a camera's centre along an axis."""
    return float(np.sqrt(np.diag(covariance).reshape(2, N_CAMERA)[:, SHIFT].mean()))


def test_a_second_run_reads_what_is_there(rig_folder: Path) -> None:
    every = sorted(p for p in (rig_folder / "derived").rglob("*") if p.is_file())
    derived = [p for p in every if "history" not in p.parts]
    assert len(every) > len(derived)
    assert [p.name for p in derived] == [
        "calibrated_rig.json",
        "left.json",
        "right.json",
        "position_u.png",
        "rig.json",
        "rig_residuals.png",
    ]
    before = {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in derived}
    seen: list[str] = []
    run_court(rig_folder, progress=lambda label, done, total: seen.append(label))
    assert seen == [] and {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in derived} == before


def test_a_damaged_derived_file_is_made_again(rig_folder: Path, tmp_path: Path) -> None:
    again = changed(rig_folder, tmp_path, "small", "small")
    (lens,) = run_lens(again, "left")
    path = again / "derived" / "lens" / "left.json"
    path.write_text(path.read_text()[:100])
    (remade,) = run_lens(again, "left")
    assert np.array_equal(lens.vector(), remade.vector())


def test_breaking_off_leaves_whole_files_and_a_rerun_ends_in_the_same_bytes(
    rig_folder: Path, tmp_path: Path
) -> None:
    again = changed(rig_folder, tmp_path, "small", "small")
    run_lens(again, "left")

    def interrupt(label: str, done: int, total: int) -> None:
        if done > 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_rig(again, progress=interrupt)
    left = [p.name for p in (again / "derived").rglob("*") if p.is_file()]
    assert left == ["left.json"]
    labels: set[str] = set()
    run_court(again, progress=lambda label, done, total: labels.add(label))
    assert "lens left" not in labels and "lens right" in labels
    for name in ("calibrated_rig.json", "rig.json"):
        assert (again / "derived" / name).read_bytes() == (rig_folder / "derived" / name).read_bytes()


def test_calibrations_are_kept_with_date_and_cause(rig_folder: Path, tmp_path: Path) -> None:
    again = changed(rig_folder, tmp_path, "small", "small")
    path = again / "derived" / "calibrated_rig.json"
    path.parent.mkdir()
    for name in ("lens", "rig.json", "calibrated_rig.json"):
        source = rig_folder / "derived" / name
        shutil.copytree(source, path.parent / name) if source.is_dir() else shutil.copy(source, path.parent)
    run_court(again, date_utc="2026-03-01T09:00:00+00:00")
    run_court(again, date_utc="2026-04-01T09:00:00+00:00")
    (one,) = calibrations(path)
    assert one.date_utc == "2026-03-01T09:00:00+00:00" and one.cause == "board and court"
    clicks = read_clicks(rig_folder / "court_clicks.csv")
    write_clicks(tmp_path / "fewer.csv", clicks[:-1])
    run_court(again, tmp_path / "fewer.csv", date_utc="2026-05-01T09:00:00+00:00")
    first, second = calibrations(path)
    assert first == one and second.sha256 == content_hash(path) != one.sha256
    # a mended camera stays mended while clicks and footage stay the same
    rig = load_rig(path)
    inputs = {**rig.provenance.inputs, "mended from": second.sha256}
    save_rig(path, replace(rig, name="mended", provenance=replace(rig.provenance, inputs=inputs)))
    assert run_court(again, tmp_path / "fewer.csv").name == "mended" and len(calibrations(path)) == 3
    assert run_court(again).name != "mended" and len(calibrations(path)) == 3


@pytest.mark.parametrize(
    ("old", "new", "wanted"),
    [
        ("lens/left.mp4", "lens/none.mp4", r"none\.mp4: no such file"),
        ("columns = 7", "columns = 8", r"left\.mp4: rig\.toml describes a board of 8 x 4 .* has 7 x 4"),
        ('left = "shared/left.mp4"', 'left = "lens/left.mp4"', r"never keeps still|found none that agree"),
    ],
)
def test_faults_are_named_and_leave_nothing(
    rig_folder: Path, tmp_path: Path, old: str, new: str, wanted: str
) -> None:
    with pytest.raises(BadInput, match=wanted):
        run_rig(changed(rig_folder, tmp_path, old, new))
    assert not (tmp_path / "derived" / "rig.json").exists()


def test_too_few_board_views_say_how_many_and_where(rig_folder: Path, tmp_path: Path) -> None:
    write_video(tmp_path / "few.mp4", [p for p, _ in zip(lens_pictures(TRUE["left"], np.random.default_rng(2)),
                                                           range(4), strict=False)], fps=6)  # fmt: skip
    again = changed(rig_folder, tmp_path, "lens/left.mp4", "few.mp4")
    with pytest.raises(
        BadInput, match=r"few\.mp4: found the whole board in 4 of 4 frames looked at, want at least 8"
    ):
        run_lens(again, "left")


def test_a_rig_without_shared_footage_or_with_one_camera(rig_folder: Path, tmp_path: Path) -> None:
    again = changed(rig_folder, tmp_path, RIG_TOML[RIG_TOML.index("[[shared]]") :], "")
    with pytest.raises(BadInput, match=r"want \[\[shared\]\] board footage"):
        run_rig(again)
    head, tail = RIG_TOML.split('[[camera]]\nname = "right"')[0], ""
    (again / "rig.toml").write_text(head + tail)
    with pytest.raises(BadInput, match="want two or more cameras"):
        run_rig(again)
    with pytest.raises(BadInput, match="no camera 'top'; it has left"):
        run_lens(again, "top")


def test_clicks_by_an_unknown_camera(rig_folder: Path, tmp_path: Path) -> None:
    write_clicks(tmp_path / "c.csv", [Click("top", "baseline_centre", np.array([1.0, 2.0]))])
    with pytest.raises(BadInput, match=r"c\.csv: 'top' is not a camera of this rig; it has left, right"):
        run_court(rig_folder, tmp_path / "c.csv")
