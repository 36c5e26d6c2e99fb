"""When a bang began, how long it was under way, and what that says of clocks; in the sigmas stated."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BadInput, NotMeasurable
from calibration.sound_track import sound_track
from recon.pipeline.clock_sources import first_clocks, with_other_sources
from recon.records import KEYPOINTS, Clock, Clocks, Tracks2D
from recon.session import Session, load_session
from recon.sync.sound import Air, Heard, instant_heard, onset
from tests.support.bangs import bang, save_video_with_sound, save_wav
from tests.support.clocked import seen_on
from tests.support.example_motion import EVENT_TIMES_S, invented_motion
from tests.support.stamped_video import TICKS, stamped_video
from tests.support.world import three_cameras

CAMERAS = three_cameras()
RATE = 48000


@pytest.mark.parametrize(("rate", "noise"), [(48000, 0.003), (44100, 0.03), (16000, 0.03), (48000, 0.05)])
def test_the_beginning_of_a_bang_in_sigmas(rate: int, noise: float) -> None:
    """Echoes, the last of them louder than the bang, do not count."""
    off = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        at = rng.uniform(0.12, 0.3)
        t, u = onset(bang(0.5, rate, at, noise, rng), rate)
        off.append(((t - at) / u, t - at))
    sigmas, errors = np.array(off).T
    assert np.sqrt(np.mean(sigmas**2)) < 1.1 and np.abs(sigmas).max() < 3.5
    assert np.sqrt(np.mean(errors**2)) < 1e-4


@pytest.mark.parametrize("noise", [0.1, 0.15])
def test_in_much_noise_an_echo_is_not_taken_for_the_bang(noise: float) -> None:
    """The louder echo alone may stand clear of the noise: then nothing is told, or the bang all the same."""
    told = 0
    for seed in range(30):
        rng = np.random.default_rng([seed, 3])
        at = rng.uniform(0.06, 0.09)
        try:
            t, u = onset(bang(0.15, RATE, at, noise, rng), RATE)
        except NotMeasurable:
            continue
        told += 1
        assert abs(t - at) < 5 * u
    assert told >= (25 if noise == 0.1 else 3)


def test_where_nothing_is_heard_it_is_said() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(NotMeasurable, match="as loud as the background"):
        onset(0.1 * rng.standard_normal(RATE // 2), RATE)
    with pytest.raises(NotMeasurable, match="begins with the recording"):
        onset(bang(0.5, RATE, 0.01, 0.01, rng), RATE)
    with pytest.raises(NotMeasurable, match="too short"):
        onset(np.zeros(200), RATE)


def test_sound_is_as_fast_as_published() -> None:
    """331.3 m/s in dry air at 0 °C (CRC Handbook of Chemistry and Physics, from memory); 2.9 ms a metre."""
    assert Air(temperature_c=0.0).speed_m_s()[0] == pytest.approx(331.3, abs=0.2)
    assert 1e3 / Air().speed_m_s()[0] == pytest.approx(2.9, abs=0.02)


def test_a_longer_way_is_taken_off() -> None:
    """3.432 m and 6.864 m away at 343.2 m/s: 10 and 20 ms; the second file's sound is stamped 5 ms late."""
    heard = [
        Heard("a", 1.010, 1e-4, 0.0, 1e-3, np.array([3.432, 0, 0])),
        Heard("b", 5.025, 1e-4, 0.005, 1e-3, np.array([0, 6.864, 0])),
    ]
    instant = instant_heard(heard, np.zeros(3), 0.0, Air(u_c=1e-9))
    np.testing.assert_allclose(instant.t_cam_s, [1.0, 5.0], atol=1e-12)
    np.testing.assert_allclose(instant.covariance, np.eye(2) * (1e-8 + 1e-6), rtol=1e-6, atol=1e-12)


def test_the_instant_errs_as_it_says() -> None:
    """Place, air, skews and onsets drawn as stated: the readings' joint squared error in sigmas."""
    rng = np.random.default_rng(3)
    places = [c.centre_m() for c in CAMERAS]
    squared = []
    for _ in range(300):
        place, told_place = np.array([0.2, 0.3, 2.7]), np.array([0.2, 0.3, 2.7]) + rng.normal(0, 0.1, 3)
        speed = 343.2 * np.sqrt((293.15 + rng.normal(0, 10)) / 293.15)
        heard = []
        for camera, microphone in zip(CAMERAS, places, strict=True):
            way = float(np.linalg.norm(microphone - place))
            t = 1.0 + way / speed + rng.normal(0, 0.002) + rng.normal(0, 1e-4)
            heard.append(Heard(camera.name, t, 1e-4, 0.0, 0.002, microphone))
        instant = instant_heard(heard, told_place, 0.1, Air())
        error = instant.t_cam_s - 1.0
        squared.append(error @ np.linalg.solve(instant.covariance, error) / 3)
    assert 0.85 < np.mean(squared) < 1.15  # 2 sigmas of the mean are 0.09


@pytest.mark.parametrize(
    ("name", "codec", "rate"),
    [
        ("a.mov", "pcm_s16le", 48000),
        ("a.mkv", "pcm_s16le", 44100),
        ("a.mp4", "aac", 48000),
        ("b.mp4", "aac", 44100),
    ],
)
def test_a_video_s_sound_is_on_its_pictures_clock(tmp_path: Path, name: str, codec: str, rate: int) -> None:
    """Lossy coding sends a faint image of a bang ahead of it, which is not to be taken for its beginning."""
    for seed in range(3):
        samples = bang(0.7, rate, 0.4 + 0.01 * seed, 0.003, np.random.default_rng(seed))
        save_video_with_sound(tmp_path / name, samples, rate, codec=codec, later_s=0.1)
        track = sound_track(tmp_path / name)
        assert track.start_s == pytest.approx(0.1, abs=0.03)  # a coder's own run-up comes before
        late = track.times_s() > 0.3
        t, u = onset(track.samples[late], track.rate_hz)
        error = track.times_s()[late][0] + t - (0.5 + 0.01 * seed)
        assert abs(error) < (3e-4 if name == "a.mov" else 2.5 * np.hypot(u, track.u_start_s))


@pytest.mark.parametrize(("name", "codec"), [("a.mov", "pcm_s16le"), ("a.mp4", "aac"), ("a.wav", "")])
def test_a_stretch_of_a_long_recording_is_read_alone(tmp_path: Path, name: str, codec: str) -> None:
    samples = bang(6.0, RATE, 4.31, 0.01, np.random.default_rng(2))
    if codec:
        save_video_with_sound(tmp_path / name, samples, RATE, codec=codec, later_s=0.1)
    else:
        save_wav(tmp_path / name, samples, RATE)
    whole, part = sound_track(tmp_path / name), sound_track(tmp_path / name, (4.2, 4.7))
    assert 0.5 <= len(part.samples) / RATE < 0.6 and part.start_s > 4.1
    first = round((part.start_s - whole.start_s) * RATE)
    np.testing.assert_allclose(part.samples, whole.samples[first : first + len(part.samples)], atol=2e-4)
    assert len(sound_track(tmp_path / name, (20.0, 21.0)).samples) == 0


def test_a_wav_is_read_and_a_silent_video_is_refused(tmp_path: Path) -> None:
    samples = bang(0.3, 44100, 0.1, 0.01, np.random.default_rng(1))
    save_wav(tmp_path / "a.wav", samples, 44100)
    track = sound_track(tmp_path / "a.wav")
    assert (track.start_s, track.rate_hz) == (0.0, 44100)
    np.testing.assert_allclose(track.samples, samples, atol=1e-4)
    (tmp_path / "bad.wav").write_bytes(b"no sound at all")
    with pytest.raises(BadInput, match=r"bad\.wav"):
        sound_track(tmp_path / "bad.wav")
    with pytest.raises(BadInput, match="no such file"):
        sound_track(tmp_path / "none.wav")


# -- in a session ----------------------------------------------------------------------------------------

OFFSETS = {"rear_left": 0.0, "rear_right": 0.21, "side": -0.13}
TRUE = Clocks("rear_left", tuple(Clock(n, o, 0.0) for n, o in OFFSETS.items()))
START = Clocks(
    "rear_left",
    (Clock("rear_left", 0.0, 0.0), Clock("rear_right", 0.2115, 0.0015), Clock("side", -0.1312, 0.0015)),
)


def serve_tracks() -> Tracks2D:
    t, xyz, _, _ = invented_motion("right")

    def at(t_s: np.ndarray) -> np.ndarray:
        flat = xyz.reshape(len(t), -1)
        return np.stack([np.interp(t_s, t, column) for column in flat.T], axis=1).reshape(len(t_s), -1, 3)

    rng = np.random.default_rng(6)
    return seen_on(CAMERAS, TRUE, at, KEYPOINTS, length_s=1.9, fps=120, sigma_px=0.5, rng=rng)


TRACKS = serve_tracks()


def session(folder: Path, later_s: dict[str, float], extra: str = "") -> Session:
    """A session with one WAV per camera; later_s: by how much each file stamps its sound late."""
    t, xyz, _, _ = invented_motion("right")
    at = round(EVENT_TIMES_S["contact"] * 120)
    place = xyz[at, KEYPOINTS.index("ball")]
    rows = []
    for k, camera in enumerate(CAMERAS):
        way_s = float(np.linalg.norm(camera.centre_m() - place)) / 343.2
        heard = t[at] - OFFSETS[camera.name] + way_s + later_s[camera.name]
        samples = bang(2.2, RATE, heard, 0.02, np.random.default_rng(k))
        save_wav(folder / f"{camera.name}.wav", samples, RATE)
        rows.append(f'{camera.name} = {{ file = "{camera.name}.wav", skew_ms = 4.0, u_ms = 0.3 }}')
    text = 'rig = "rig"\nhandedness = "right"\nkeypoints = "own.csv"\n'
    text += 'cameras = ["rear_left", "rear_right", "side"]\n'
    (folder / "session.toml").write_text(
        f"{text}{extra}[sound.camera]\n" + "\n".join(rows) + "\n", encoding="utf-8"
    )
    return load_session(folder)


LATE = {"rear_left": 0.0042, "rear_right": 0.0037, "side": 0.0041}


def test_the_contact_s_sound_mends_the_clocks(tmp_path: Path) -> None:
    found, notes = with_other_sources(session(tmp_path, LATE), CAMERAS, TRACKS, START)
    for name in ("rear_right", "side"):
        clock = found.of(name)
        assert clock.source == "motion, sound" and clock.u_s < 0.8 * START.of(name).u_s
        assert abs(clock.offset_s - OFFSETS[name]) < min(
            3 * clock.u_s, abs(START.of(name).offset_s - OFFSETS[name])
        )
    assert notes.trouble == () and "sound took part" in notes.told[0]


def test_a_sound_of_another_take_is_named_and_left_out(tmp_path: Path) -> None:
    found, notes = with_other_sources(session(tmp_path, LATE | {"side": 0.034}), CAMERAS, TRACKS, START)
    assert found.of("side").offset_s == START.of("side").offset_s
    assert "camera side" in notes.trouble[0] and "left out" in notes.trouble[0]


def test_the_sound_of_a_slow_motion_file_is_left_out(tmp_path: Path) -> None:
    """Its stamps are not its true times, and nobody says how its sound runs against them."""
    stamped_video(tmp_path / "slow.mp4", [k * TICKS // 30 for k in range(60)])
    session(tmp_path, LATE, '[video]\nside = "slow.mp4"\n[video_rate]\nside = 120\n')
    text = (tmp_path / "session.toml").read_text(encoding="utf-8")
    (tmp_path / "session.toml").write_text(text.replace('file = "side.wav", ', ""), encoding="utf-8")
    told = load_session(tmp_path)
    assert told.file.sound is not None and told.file.sound.camera["side"].file is None
    found, _ = with_other_sources(told, CAMERAS, TRACKS, START)
    assert found.of("side").source == "motion" and found.of("side").offset_s == START.of("side").offset_s
    assert found.of("rear_right").source == "motion, sound"


def test_a_given_clock_counts_and_stands_in(tmp_path: Path) -> None:
    extra = "[clock]\nrear_right = { offset_s = 0.2101, u_ms = 0.1 }\nside = { offset_s = -0.13, u_ms = 0.1 }\n"
    told = session(tmp_path, LATE, extra)
    found, _ = with_other_sources(told, CAMERAS, TRACKS, START)
    assert found.of("side").source == "motion, given, sound"
    assert abs(found.of("side").offset_s + 0.13) < 3 * found.of("side").u_s < 4e-4
    rng = np.random.default_rng(1)
    still = tuple(
        replace(c, uv_px=c.uv_px[:1] + rng.normal(0, 2, c.uv_px.shape), sigma_px=np.full(c.sigma_px.shape, 2.0))
        for c in TRACKS.cameras
    )
    nothing = replace(TRACKS, cameras=still)
    stood_in = first_clocks(told, CAMERAS, nothing)
    assert [(c.source, c.offset_s) for c in stood_in.clocks[1:]] == [("given", 0.2101), ("given", -0.13)]
    (tmp_path / "bare").mkdir()
    with pytest.raises(NotMeasurable):
        first_clocks(session(tmp_path / "bare", LATE), CAMERAS, nothing)
