"""Looks at a long film: at the right times, small, upright, and only of the stretch that is meant."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BadInput
from calibration.footage import Video, begins_s, frames, probe
from calibration.skim import skim, small_size
from calibration.video_times import VideoTimes
from tests.support.board_pictures import write_video

FPS = 60


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """4 s that grow brighter: a picture's brightness tells its time."""
    path = tmp_path_factory.mktemp("film") / "a.mp4"
    write_video(path, (np.full((48, 96), 10 + k, np.uint8) for k in range(4 * FPS)), FPS, quality="5")
    return path


def time_shown(picture: np.ndarray) -> float:
    return (float(np.median(picture)) - 10) / FPS


@pytest.mark.parametrize("looks_hz", [4.0, 12.0])
def test_looks_are_evenly_spaced_and_show_their_own_time(film: Path, looks_hz: float) -> None:
    got = list(skim(Video(film), looks_hz, 64))
    assert [f.index for f in got] == list(range(round(4 * looks_hz)))
    # the first picture of each stretch that is cheap to have: three in a row may not be
    np.testing.assert_allclose([f.t_s for f in got], np.arange(len(got)) / looks_hz, atol=3.1 / FPS)
    np.testing.assert_allclose([time_shown(f.image_bgr) for f in got], [f.t_s for f in got], atol=1.5 / FPS)
    assert got[0].image_bgr.shape == (32, 64, 3)


def test_a_stretch_holds_no_other_times_and_the_same_looks(film: Path) -> None:
    all_of_it = {round(f.t_s, 6) for f in skim(Video(film), 12.0, 64)}
    part = [f.t_s for f in skim(Video(film, span_s=(1.5, 3.0)), 12.0, 64)]
    assert part[0] >= 1.5 and part[-1] < 3.0 and len(part) == 18
    assert {round(t, 6) for t in part} <= all_of_it  # two stretches that overlap can be put together


def test_slow_motion_is_skimmed_by_true_time(film: Path) -> None:
    slowed = Video(film, VideoTimes((0.0, 4.0), (0.0, 1.0)), span_s=(0.25, 0.75))
    got = list(skim(slowed, 12.0, 64))
    assert len(got) == 6
    np.testing.assert_allclose([time_shown(f.image_bgr) / 4 for f in got], [f.t_s for f in got], atol=1 / FPS)


def test_small_pictures_are_upright(tmp_path: Path) -> None:
    lit_above = np.zeros((48, 96), np.uint8)
    lit_above[:12] = 255
    write_video(tmp_path / "turned.mp4", [lit_above] * 3, 30, turn_degrees=180)
    picture = next(skim(Video(tmp_path / "turned.mp4"), 10.0, 48)).image_bgr
    assert picture.shape == (24, 48, 3) and picture[-4:].mean() > 200 > 50 > picture[:8].mean()


@pytest.mark.parametrize(
    ("size", "longest", "want"),
    [((1920, 1080), 960, (960, 540)), ((1080, 1920), 960, (540, 960)), ((641, 361), 960, (640, 360))],
)
def test_small_sizes_are_even_and_never_larger(size, longest, want) -> None:
    assert small_size(size, longest) == want


def test_what_cannot_be_skimmed_is_refused(film: Path, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="more than 0 looks"):
        next(skim(Video(film), 0.0, 64))
    with pytest.raises(BadInput, match="16 pixels or more"):
        next(skim(Video(film), 4.0, 8))
    with pytest.raises(BadInput, match="no such file"):
        next(skim(Video(tmp_path / "none.mp4"), 4.0, 64))


def test_a_video_s_stretch_is_all_that_its_reader_gives(film: Path) -> None:
    part = Video(film, span_s=(1.0, 2.0))
    got = list(frames(part))
    assert [f.index for f in got] == list(range(FPS)) and begins_s(part) == 1.0
    np.testing.assert_allclose([f.t_s for f in got], 1 + np.arange(FPS) / FPS, atol=1e-4)
    np.testing.assert_allclose([time_shown(f.image_bgr) for f in got], [f.t_s for f in got], atol=1.5 / FPS)
    assert [f.index for f in frames(part, 1.5, 9.0, every=7)] == [0, 7, 14, 21, 28]
    info = probe(part)
    assert (info.duration_s, info.frame_count_hint) == (pytest.approx(1.0), FPS)
    assert probe(Video(film, span_s=(3.5, 9.0))).duration_s == pytest.approx(0.5)
    with pytest.raises(BadInput, match="want a stretch"):
        Video(film, span_s=(2.0, 2.0))
