"""Racket points of a file through the whole program, on an INVENTED serve with recorded body points."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BadInput
from calibration.geometry import Camera
from recon.keypoints import read_own_keypoints
from recon.pipeline import measure_session
from recon.pipeline.racket_route import with_racket_points
from recon.pipeline.second_look import Checked
from recon.racket_points import FILE_NAME, Row, wanted_instants, write_racket_points
from recon.records import KEYPOINTS, SOUGHT, WHITE
from recon.result import load_result
from recon.session import load_session
from tests.support.filmed_example import film_racket
from tests.support.recorded_keypoints import write_recording
from tests.support.serve_series import ServeSeries
from tests.support.world import three_cameras

CAMERAS = three_cameras()
SERIES = ServeSeries((3.0,), vary=0.0)
SPANS_S = {"rear_left": (0.4, 4.4), "rear_right": (0.55, 4.5), "side": (0.3, 4.3)}
FPS = 120


def path_m(point: str, t_s: np.ndarray) -> np.ndarray:
    return SERIES.at(t_s)[:, KEYPOINTS.index(point)]


@pytest.fixture(scope="module")
def untaped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session whose keypoints hold no racket; two of its cameras' videos show one."""
    folder = write_recording(tmp_path_factory.mktemp("untaped"), CAMERAS, SERIES, SPANS_S, fps=FPS)
    points = folder / "points.csv"
    rows = points.read_text().splitlines(keepends=True)
    points.write_text("".join(row for row in rows if ",racket_" not in row))
    for camera in CAMERAS[:2]:
        start, stop = SPANS_S[camera.name]
        t = np.arange(start, stop, 1 / FPS)
        ends = (path_m("racket_butt", t), path_m("racket_tip", t))
        film_racket(folder / f"{camera.name}.mp4", camera, *ends, fps=FPS)
    text = (folder / "session.toml").read_text()
    videos = "".join(f'{c.name} = "{c.name}.mp4"\n' for c in CAMERAS[:2])
    names = ", ".join(f'"{c.name}"' for c in CAMERAS)
    (folder / "session.toml").write_text(f"{text}cameras = [{names}]\n[video]\n{videos}")
    return folder


@pytest.fixture
def session(untaped: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(untaped, tmp_path / "session"))


def clicks(camera: Camera, t_rig_s: np.ndarray, seed: int, noise_px: float, *, frames: bool) -> list[Row]:
    """Rows of the tip in the frames nearest to these times, by frame number or by time."""
    start = SPANS_S[camera.name][0]
    numbers = np.unique(np.round((t_rig_s - start) * FPS).astype(int))
    uv = camera.project(path_m("racket_tip", start + numbers / FPS))
    uv = uv + np.random.default_rng(seed).normal(0, 1, uv.shape) * noise_px
    sigma = max(noise_px, 0.5)
    return [
        Row(camera.name, "racket_tip", float(u), float(v), int(k) if frames else None,
            None if frames else float(k / FPS), sigma)
        for k, (u, v) in zip(numbers, uv, strict=True)
    ]  # fmt: skip


def tip_errors_m(folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rig times (N,) at which the tip is present, how far it is off (N,), and its u (N,)."""
    result = load_result(folder)
    p = result.motion.index("racket_tip")
    x = result.motion.xyz_m[:, p]
    there = np.isfinite(x[:, 0])
    start = SPANS_S[result.clocks.reference][0]
    off = np.linalg.norm(x[there] - path_m("racket_tip", result.motion.t_s[there] + start), axis=1)
    return (
        result.motion.t_s[there] + start,
        off,
        np.sqrt(np.trace(result.motion.cov_m2[there, p], axis1=1, axis2=2)),
    )


def test_an_imported_track_of_two_cameras_gives_the_tip(session: Path) -> None:
    without = measure_session(session)
    assert np.isnan(without.motion.path("racket_tip")).all()
    every = np.arange(1.9, 3.15, 1 / FPS)
    rows = [r for k, c in enumerate(CAMERAS[1:]) for r in clicks(c, every, k, 1.0, frames=False)]
    write_racket_points(session / FILE_NAME, rows)
    result = measure_session(session)  # the file is new, so that the result is made again
    assert "racket points" in result.provenance["inputs"]
    t, off, u = tip_errors_m(session)
    inner = (t > 2.0) & (t < 3.1)
    assert inner.sum() > 100
    assert np.median(off[inner]) < 0.02
    assert np.mean(off[inner] < 2 * u[inner]) > 0.9
    assert result.tracks.noise[result.tracks.index("racket_tip")] == WHITE
    told = result.provenance["notes"]["racket points"]
    assert any("racket tip in side: 1" in s and " 0 followed" in s for s in told)


def test_five_clicks_in_two_filmed_cameras_give_the_tip_around_them(session: Path) -> None:
    at = wanted_instants(3.0)
    rows = [r for k, c in enumerate(CAMERAS[:2]) for r in clicks(c, at, k, 2.0, frames=True)]
    assert len(rows) == 10
    write_racket_points(session / FILE_NAME, rows)
    result = measure_session(session)
    t, off, u = tip_errors_m(session)
    assert t[0] <= at[0] + 0.01 and t[-1] >= at[-1] - 0.01
    inner = (t > at[1]) & (t < at[-2])  # with a click on either side, and another beyond it
    assert inner.sum() >= 11
    assert np.median(off[inner]) < 0.05
    assert np.mean(off[inner] < 2 * u[inner]) > 0.85
    shape = result.tracks.noise[result.tracks.index("racket_tip")]
    assert shape.slow > 0.5 and 0.02 < shape.slow_s < 0.03
    told = result.provenance["notes"]["racket points"]
    assert all("5 frames from racket_points.csv" in s and " 0 from tape" in s for s in told) and len(told) == 2


def test_edges_that_no_tape_shows_are_taken_from_the_file(session: Path) -> None:
    rows = [
        Row("side", edge, 500.0 + 20 * k + 5 * n, 300.0 + n, None, 2.0 + 5 * n / FPS)
        for k, edge in enumerate(("racket_edge_1", "racket_edge_2"))
        for n in range(4)
    ]
    write_racket_points(session / FILE_NAME, rows)
    loaded = load_session(session)
    found = read_own_keypoints(session / "points.csv", CAMERAS)
    assert found.keypoints == KEYPOINTS
    tracks = with_racket_points(loaded, CAMERAS, Checked(found)).tracks
    assert tracks.keypoints == SOUGHT
    for camera in tracks.cameras:
        seen = ~np.isnan(camera.sigma_px[:, len(KEYPOINTS) :])
        assert seen.sum() == (0 if camera.camera != "side" else 2 * (4 + 3 * 4))  # 4 frames between rows
        before = found.of(camera.camera)
        np.testing.assert_array_equal(camera.uv_px[:, : len(KEYPOINTS)], before.uv_px)
    side = tracks.of("side")
    at = int(np.abs(side.t_cam_s - 2.0 - 5 / FPS).argmin())
    np.testing.assert_allclose(side.uv_px[at, len(KEYPOINTS) :], [(505.0, 301.0), (525.0, 301.0)])


def test_a_row_that_is_at_fault_is_named(session: Path) -> None:
    write_racket_points(session / FILE_NAME, [Row("rear_left", "racket_tip", 10.0, 10.0, frame=100_000)])
    with pytest.raises(BadInput, match=r"racket_points.csv: row 2: frame 100000 is beyond the clip"):
        measure_session(session)
    write_racket_points(session / FILE_NAME, [Row("side", "racket_tip", 10.0, 10.0, frame=10)])
    with pytest.raises(BadInput, match="has no video to count frames in"):
        measure_session(session)
