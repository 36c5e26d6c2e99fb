"""Files whose stamps are not the times of their pictures: measured as one serve, or told."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from calibration import save_rig
from calibration.errors import BadInput
from calibration.footage import stamps_s
from recon.cli.app import print_notes
from recon.flight import fit_flight, slowed_fall
from recon.instants import points_at_instants
from recon.pipeline import measure_session, run, second_look
from recon.pipeline.footage import timed, told_times, with_true_times
from recon.quality import slow_fall_flags
from recon.records import KEYPOINTS, PointStatus, Tracks2D
from recon.session import Session, load_session
from recon.sync import estimate_clocks
from tests.support.example_rig import example_rig
from tests.support.serve_series import ServeSeries, seen_at
from tests.support.stamped_video import TICKS, stamped_video
from tests.support.world import three_cameras
from tests.unit.recon.test_flight_events import ball_points

CAMERAS = three_cameras()
SERVE = ServeSeries((2.0,))
LENGTH_S = 3.4
STARTS_S = {"rear_left": 0.0, "rear_right": 0.313, "side": -0.204}
"""Rig time of each camera's first picture; the cameras film 60, 120 and 240 pictures a second."""


def taken_at(camera: str) -> np.ndarray:
    """True times of the pictures of each camera, on its own clock."""
    rate = {"rear_left": 60, "rear_right": 120, "side": 240}[camera]
    t = np.arange(int(LENGTH_S * rate)) / rate
    return t if camera != "rear_right" else np.delete(t, [30, 31, 90, 200, 201, 202, 300, 301])


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """60 a second; 120 a second with lost pictures; 240 a second stamped as 30. INVENTED."""
    folder = tmp_path_factory.mktemp("films")
    for camera, slow in (("rear_left", 1), ("rear_right", 1), ("side", 8)):
        stamps = np.rint(taken_at(camera) * slow * TICKS).astype(int)
        stamped_video(folder / f"{camera}.mp4", stamps.tolist(), options={"preset": "ultrafast"})
    return folder


@pytest.fixture
def mixed(tmp_path: Path, films: Path) -> Path:
    """A session folder of those files."""
    save_rig(tmp_path / "rig.json", example_rig(CAMERAS))
    for camera in CAMERAS:
        shutil.copy(films / f"{camera.name}.mp4", tmp_path)
    names = "".join(f'{c.name} = "{c.name}.mp4"\n' for c in CAMERAS)
    text = f'rig = "rig.json"\nhandedness = "right"\n[video]\n{names}[video_rate]\nside = 240\n'
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    return tmp_path


def detected(session: Session, *_: object) -> Tracks2D:
    """In the detector's place: what each picture shows of the invented serve, at the file's stamped times."""
    seen = []
    for camera in CAMERAS:
        true = taken_at(camera.name)
        stamped = stamps_s(session.video_path(camera.name))
        seen.append(replace(seen_at(camera, SERVE, STARTS_S[camera.name], true), t_cam_s=stamped))
    return Tracks2D(KEYPOINTS, tuple(seen), "invented")


def test_mixed_files_of_one_serve_agree_on_their_clocks(mixed: Path) -> None:
    tracks = with_true_times(load_session(mixed), detected(load_session(mixed)))
    clocks = estimate_clocks(CAMERAS, tracks)
    for camera, start in STARTS_S.items():
        clock = clocks.of(camera)
        assert abs(clock.offset_s - start) < 1e-3 + 3 * clock.u_s, camera
    flight, broken, _ = fit_flight(points_at_instants(CAMERAS, tracks, clocks))
    assert flight is not None and broken is not None
    assert abs(flight.gravity_m_s2 - 9.81) < 4 * flight.u_gravity_m_s2
    assert broken.t_s == pytest.approx(2.0, abs=0.01)


def test_measuring_goes_by_true_times(mixed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Reached(Exception):
        pass

    def clocks_asked(_session: object, _cameras: object, tracks: Tracks2D) -> None:
        for camera in CAMERAS:
            np.testing.assert_allclose(tracks.of(camera.name).t_cam_s, taken_at(camera.name), atol=2e-5)
        raise Reached

    found = lambda session, *_: SimpleNamespace(tracks=lambda: detected(session), who="")  # noqa: E731
    monkeypatch.setattr(run, "detect_tracks", found)
    monkeypatch.setattr(run, "want_fitting", lambda *_: ())
    monkeypatch.setattr(second_look, "first_clocks", clocks_asked)
    with pytest.raises(Reached):
        measure_session(mixed)


def test_the_file_s_story_is_told(mixed: Path) -> None:
    lost, slow = told_times(load_session(mixed), [c.name for c in CAMERAS])
    assert "rear_right.mp4: the camera lost 8 of 408 pictures" in lost
    assert "side.mp4" in slow and "240 pictures a second were taken" in slow and "divided by 8" in slow


def test_slow_motion_without_a_word_is_too_long_and_the_refusal_says_what_to_say(
    mixed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (mixed / "session.toml").read_text().replace("[video_rate]\nside = 240\n", "")
    (mixed / "session.toml").write_text(text)
    monkeypatch.setattr(run, "want_fitting", lambda *_: ())
    with pytest.raises(BadInput, match=r"side.mp4: .*got 27 s.*\[video_rate\]"):
        measure_session(mixed)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("side = -240", "video_rate.*side.*greater than 0"),
        ('side = "slow"', "video_rate.*side"),
        ("front = 240", "no video for camera 'front'"),
    ],
)
def test_a_rate_that_cannot_be_is_refused(mixed: Path, line: str, said: str) -> None:
    text = (mixed / "session.toml").read_text().replace("side = 240", line)
    (mixed / "session.toml").write_text(text)
    with pytest.raises(BadInput, match=said):
        load_session(mixed)


def test_a_changed_file_is_read_again(mixed: Path) -> None:
    session = load_session(mixed)
    assert timed(session, "rear_left").video.times.true(1.0) == 1.0
    stamped_video(mixed / "rear_left.mp4", [k * TICKS // 480 for k in range(240)])
    with pytest.raises(BadInput, match="got 240 a second where 480"):
        timed(Session(mixed, session.file.model_copy(update={"video_rate": {"rear_left": 240.0}})), "rear_left")


def test_notes_name_keys_as_they_are_written(capsys: pytest.CaptureFixture[str]) -> None:
    print_notes(("[video_rate] side says",))
    assert "note: [video_rate] side says" in capsys.readouterr().err


@pytest.mark.parametrize("slowed", [2.0, 4.0, 8.0, 4.8, 0.5])
def test_a_toss_that_falls_too_slowly_tells_how_many_times(slowed: float, rng: np.random.Generator) -> None:
    true = ball_points(rng)
    points = replace(true, t_s=true.t_s * slowed)
    assert fit_flight(points)[0] is None, "want a fall that is no flight at the stamped times"
    assert slowed_fall(points) == slowed
    (flag,) = slow_fall_flags(points, slowed)
    assert f"120 pictures a second stamped as {120 / slowed:.0f}" in flag


@pytest.mark.parametrize(("gravity", "lasts_s"), [(7.5, 0.9), (9.81, 0.35)])
def test_a_fall_that_no_rate_explains_or_too_short_a_one_tells_none(
    gravity: float, lasts_s: float, rng: np.random.Generator
) -> None:
    true = ball_points(rng, gravity=gravity, hit=False)
    lost = (true.t_s > 0.5 + lasts_s) | (true.t_s < 0.5)
    status = np.where(lost[:, None], PointStatus.TOO_FEW_VIEWS, true.status)
    xyz = np.where(lost[:, None, None], np.nan, true.xyz_m)
    cov = np.where(lost[:, None, None, None], np.nan, true.cov_m2)
    seen = replace(true, xyz_m=xyz, cov_m2=cov, status=status, views=true.views & ~lost[:, None, None])
    assert fit_flight(seen)[0] is not None
    assert slowed_fall(replace(seen, t_s=2 * seen.t_s)) is None


def test_a_ball_carried_by_a_hand_tells_no_rate(rng: np.random.Generator) -> None:
    toss = ball_points(rng)
    t = toss.t_s
    xyz = toss.xyz_m.copy()
    path = np.stack([0.3 + 0 * t, 0.3 + 0.1 * t, 1.0 + 0.4 * np.sin(2.2 * t)], axis=1)
    xyz[:, KEYPOINTS.index("ball")] = path + rng.normal(0, 0.004, path.shape)
    xyz[np.isnan(toss.xyz_m)] = np.nan
    assert slowed_fall(replace(toss, xyz_m=xyz)) is None
    assert slow_fall_flags(toss, None) == ()
