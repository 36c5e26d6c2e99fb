"""Each kind of file gives the times at which its pictures were taken, or one clear refusal."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from calibration.errors import BadInput
from calibration.footage import Video, frames, probe, stamps_s
from calibration.recorded_rate import AS_IT_SAYS, timed_video
from calibration.video_times import VideoTimes, stretches_of, times_recorded_at
from tests.support.stamped_video import TICKS, brightness, stamped_video


def even(count: int, fps: int) -> np.ndarray:
    return np.arange(count) * TICKS // fps


def times_of(video: Video) -> np.ndarray:
    """True times of the pictures that come out, each checked to be the right picture."""
    got = list(frames(video))
    for k, frame in enumerate(got):
        assert abs(float(frame.image_bgr.mean()) - brightness(k)) < 6, f"picture {k}"
    return np.array([f.t_s for f in got])


CODECS = {
    "H.264, pictures out of order": ("libx264", "yuv420p", {"bf": "3"}),
    "HEVC of 8 bits, out of order": ("libx265", "yuv420p", {"x265-params": "log-level=none:bframes=3"}),
    "HEVC of 10 bits, out of order": ("libx265", "yuv420p10le", {"x265-params": "log-level=none:bframes=3"}),
}


@pytest.mark.parametrize("kind", CODECS)
@pytest.mark.parametrize("fps", [60, 120])
def test_every_codec_gives_its_pictures_at_their_times(tmp_path: Path, kind: str, fps: int) -> None:
    codec, pixels, options = CODECS[kind]
    if codec not in av.codec.codecs_available:
        pytest.skip(f"this build of FFmpeg has no encoder {codec}")
    path = stamped_video(tmp_path / "a.mp4", even(40, fps), codec=codec, pixels=pixels, options=options)
    with av.open(str(path)) as container:
        order = [p.pts for p in container.demux(video=0) if p.pts is not None]
    assert order != sorted(order), "want a file whose packets are out of order"
    made = timed_video(path)
    assert made.notes == ()
    np.testing.assert_allclose(times_of(made.video), np.arange(40) / fps, atol=1e-9)
    np.testing.assert_allclose(stamps_s(path), np.arange(40) / fps, atol=1e-9)


def test_a_start_before_zero_leaves_out_what_the_edit_list_leaves_out(tmp_path: Path) -> None:
    """MP4 hides what lies before zero behind an edit list; stamps and pictures must agree on what is left."""
    path = stamped_video(tmp_path / "a.mp4", even(40, 60) - TICKS // 6, options={"bf": "2"})
    got = list(frames(path))
    assert len(got) == len(stamps_s(path)) == 30
    assert abs(float(got[0].image_bgr.mean()) - brightness(10)) < 6
    np.testing.assert_allclose([f.t_s for f in got], stamps_s(path), atol=1e-9)


@pytest.mark.parametrize("start", [5 * TICKS, 1])
def test_a_late_start_counts_from_the_first_picture(tmp_path: Path, start: int) -> None:
    path = stamped_video(tmp_path / "a.mp4", even(12, 60) + start)
    np.testing.assert_allclose(times_of(timed_video(path).video), np.arange(12) / 60, atol=1e-4)


def test_lost_pictures_are_told_and_the_others_keep_their_times(tmp_path: Path) -> None:
    kept = np.delete(np.arange(120), [10, 11, 50, 70, 71, 72])
    made = timed_video(stamped_video(tmp_path / "a.mp4", kept * TICKS // 120))
    assert "lost 6 of 120" in made.notes[0]
    np.testing.assert_allclose(times_of(made.video), kept / 120, atol=1e-9)


def test_a_gap_of_most_pictures_leaves_the_rate_alone() -> None:
    stamps = np.concatenate([np.arange(20), np.arange(140, 160)]) / 120
    (one,) = stretches_of(stamps)
    assert one.fps == pytest.approx(120) and one.lost == 120


def test_rates_of_the_old_television_are_what_they_stand_for() -> None:
    """Stamped 29.97 a second, "240" recorded: the camera took 239.76, eight times the stamps."""
    (one,) = stretches_of(np.arange(100) * 1001 / 30000)
    assert times_recorded_at((one,), 240).true(1.0) == pytest.approx(1 / 8, rel=1e-12)


def test_a_rate_that_wavers_is_true_as_it_stands(tmp_path: Path) -> None:
    wavering = np.cumsum(np.random.default_rng(3).integers(1300, 1700, 80))
    made = timed_video(stamped_video(tmp_path / "a.mp4", wavering))
    assert made.notes == ()
    np.testing.assert_allclose(times_of(made.video), (wavering - wavering[0]) / TICKS, atol=1e-9)


@pytest.mark.parametrize(("recorded", "stamped"), [(240, 30), (240, 60), (120, 30), (120, 24), (240, 50)])
def test_slow_motion_gets_its_true_times_from_the_owner_s_word(
    tmp_path: Path, recorded: int, stamped: int
) -> None:
    path = stamped_video(tmp_path / "a.mp4", even(36, stamped))
    made = timed_video(path, recorded, "[video_rate] side")
    assert "[video_rate] side" in made.notes[0] and f"divided by {recorded / stamped:g}" in made.notes[0]
    np.testing.assert_allclose(times_of(made.video), np.arange(36) / recorded, atol=1e-9)
    assert probe(made.video).nominal_fps == pytest.approx(recorded, rel=0.05)  # the head counts roughly
    part = [f.index for f in frames(made.video, start_s=10 / recorded - 1e-6, stop_s=20 / recorded - 1e-6)]
    assert part == list(range(10, 20))


def test_slow_motion_gets_its_true_times_from_the_file_s_head(tmp_path: Path) -> None:
    path = stamped_video(tmp_path / "a.mp4", even(36, 30), head={"com.android.capture.fps": "240.0"})
    made = timed_video(path)
    assert "its head" in made.notes[0]
    np.testing.assert_allclose(times_of(made.video), np.arange(36) / 240, atol=1e-9)
    assert times_of(timed_video(path, AS_IT_SAYS).video)[-1] == pytest.approx(35 / 30)
    same = stamped_video(tmp_path / "b.mp4", even(36, 240), head={"com.android.capture.fps": "239.98"})
    assert timed_video(same).notes == ()


RAMP = np.concatenate([[0], np.cumsum([375] * 40 + [3000] * 40 + [375] * 40)])  # 240, 30, 240 a second


def test_a_ramp_is_refused_with_both_ways_out(tmp_path: Path) -> None:
    path = stamped_video(tmp_path / "a.mp4", RAMP)
    with pytest.raises(BadInput) as refused:
        timed_video(path, None, "[video_rate] side")
    said = str(refused.value)
    fast, slow = "240 pictures a second from 0.00 s to 0.17 s", "30 pictures a second from 0.17 s"
    for words in ("a.mp4", fast, slow, "[video_rate] side = 240", '"as stamped"'):
        assert words in said, said
    assert timed_video(path, AS_IT_SAYS).notes == ()
    np.testing.assert_allclose(times_of(timed_video(path, 240).video), np.arange(121) / 240, atol=1e-9)


def test_a_ramp_with_lost_pictures_keeps_them_lost(tmp_path: Path) -> None:
    kept = np.delete(np.arange(121), [20, 60, 61])
    path = stamped_video(tmp_path / "a.mp4", RAMP[kept])
    np.testing.assert_allclose(times_of(timed_video(path, 240).video), kept / 240, atol=1e-9)


def test_a_rate_below_the_stamps_is_refused(tmp_path: Path) -> None:
    path = stamped_video(tmp_path / "a.mp4", even(30, 120))
    with pytest.raises(BadInput, match=r"\[video_rate\] side.*got 60 a second where 120 a second are stamped"):
        timed_video(path, 60, "[video_rate] side")


def repeated_stamp(path: Path, repeated: int) -> Path:
    """A video of which one picture has the stamp of the one before."""
    with av.open(str(path), mode="w") as out:
        stream = out.add_stream("mjpeg", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuvj420p"
        for k in range(20):
            grey = av.VideoFrame.from_ndarray(np.full((48, 64), brightness(k), np.uint8), format="gray")
            for packet in stream.encode(grey.reformat(format="yuvj420p")):
                packet.time_base = Fraction(1, 30)
                packet.pts = packet.dts = k - (k == repeated)
                out.mux(packet)
    return path


@pytest.mark.parametrize("read", [lambda p: list(frames(p)), stamps_s, timed_video])
def test_equal_stamps_are_refused_with_picture_and_time(tmp_path: Path, read: Callable[[Path], object]) -> None:
    path = repeated_stamp(tmp_path / "a.mkv", 7)
    with pytest.raises(BadInput, match=r"a\.mkv: .*picture 7 is stamped 0\.2\d+ s, no later .* copy the file"):
        read(path)


def test_true_and_stamped_times_are_each_other_s_inverse() -> None:
    times = VideoTimes((0.0, 1.0, 9.0, 10.0), (0.0, 1.0, 2.0, 3.0))
    stamped = np.linspace(-1, 12, 60)
    np.testing.assert_allclose(times.stamped(times.true(stamped)), stamped, atol=1e-12)
    assert times.true(5.0) == pytest.approx(1.5) and times.true(11.0) == pytest.approx(4.0)
    with pytest.raises(BadInput, match="increasing"):
        VideoTimes((0.0, 1.0), (1.0, 1.0))


def test_stamps_in_milliseconds_tell_the_rate_all_the_same() -> None:
    (one,) = stretches_of(np.round(np.arange(500) * 1000 / 120) / 1000)
    assert one.fps == pytest.approx(120, rel=1e-3) and one.lost == 0
    assert times_recorded_at((one,), 240).true(one.stop_s) == pytest.approx(one.stop_s / 2)
