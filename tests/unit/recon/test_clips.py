"""Long clips of look-alike serves: matched rightly, or said to be beyond telling; never matched wrongly.

All sessions are INVENTED: one motion again and again, each serve some centimetres off the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
import pytest

from calibration.errors import BadInput, NotMeasurable
from calibration.geometry import Camera
from recon.records import CameraTracks, NoiseShape
from recon.sync import Clip, ClipMatchOptions, match_clips
from tests.support.serve_series import ServeSeries, seen
from tests.support.world import three_cameras

CAMERAS = three_cameras()
PAUSES_S = (9.0, 12.4, 7.7, 15.1, 10.2, 8.8, 13.5, 11.9, 9.6, 14.2, 10.9)
"""Between the serves of one player who fetches balls now and then; INVENTED."""
SHAPE = NoiseShape(white=0.4, slow=0.3, bias=0.3, slow_s=0.3)


def contacts(pauses_s: Sequence[float], first_s: float = 6.0) -> tuple[float, ...]:
    return tuple(float(t) for t in first_s + np.cumsum([0.0, *pauses_s]))


def clip(
    camera: Camera,
    series: ServeSeries,
    start_s: float,
    stop_s: float,
    *,
    missed: Sequence[int] = (),
    false_s: Sequence[float] = (),
    seed: int = 0,
) -> Clip:
    """What a camera that ran from start to stop of rig time saw: moments to a tenth of a second.

    missed: serves that the finder passed over; false_s: moments at rig times when nobody served
    """
    true = [t for k, t in enumerate(series.contacts_s) if start_s < t < stop_s and k not in missed]
    rng = np.random.default_rng((7, seed))
    moments = np.sort(np.array([*true, *false_s]) - start_s) + rng.uniform(
        -0.08, 0.08, len(true) + len(false_s)
    )

    def window(k: int) -> CameraTracks:
        span = (float(moments[k]) - 1.0, float(moments[k]) + 0.5)
        return seen(camera, series, start_s, span, sigma_px=2.0, shape=SHAPE, seed=31 * seed + k)

    return Clip(camera, (0.0, stop_s - start_s), moments, window)


def test_a_dozen_look_alike_serves_lock_on_the_right_one_40_s_apart() -> None:
    series = ServeSeries(contacts(PAUSES_S), seed=3, vary=0.3)
    end = series.contacts_s[-1] + 4
    starts = (0.0, 40.37, -8.61)
    clips = [
        clip(c, series, s, end + s / 9, seed=k) for k, (c, s) in enumerate(zip(CAMERAS, starts, strict=True))
    ]
    got = match_clips(clips)
    for offset, start in zip(got, starts, strict=True):
        assert abs(offset.offset_s - start) < 0.005, offset.camera
        assert offset.u_s >= abs(offset.offset_s - start)
    assert [o.serves for o in got[1:]] == [8, 12]


def test_missed_and_false_moments_do_not_mislead() -> None:
    series = ServeSeries(contacts(PAUSES_S), seed=4)
    end = series.contacts_s[-1] + 4
    a = clip(CAMERAS[0], series, 0.0, end, missed=(4, 9), false_s=(50.0, 77.0))
    b = clip(CAMERAS[1], series, 40.0, end + 3, missed=(7,), false_s=(90.5,), seed=1)
    assert match_clips((a, b))[1].offset_s == pytest.approx(40.0, abs=0.005)


def test_an_offset_that_leaves_most_serves_alone_is_not_believed() -> None:
    series = ServeSeries(contacts(PAUSES_S), vary=0.1)
    end = series.contacts_s[-1] + 4
    other = ServeSeries(tuple(t + (2.1 if k % 2 else 0.0) for k, t in enumerate(series.contacts_s)), vary=0.1)
    with pytest.raises(NotMeasurable, match="cannot tell which serve"):
        match_clips((clip(CAMERAS[0], series, 0.0, end), clip(CAMERAS[1], other, 0.0, end, seed=1)))


@pytest.mark.parametrize("pause_s", [8.0, 11.0])
def test_serves_like_clockwork_are_beyond_telling(pause_s: float) -> None:
    """Each serve the same, at even intervals: the clips fit as well a serve off."""
    series = ServeSeries(contacts([pause_s] * 7), vary=0.0)
    a = clip(CAMERAS[0], series, 0.0, series.contacts_s[4] + 4)
    b = clip(CAMERAS[1], series, series.contacts_s[3] - 5, series.contacts_s[-1] + 4, seed=1)
    with pytest.raises(
        NotMeasurable, match=r"rear_left and rear_right: cannot tell which serve.*even intervals"
    ):
        match_clips((a, b))


@pytest.mark.parametrize("world", range(3))
def test_clips_of_different_serves_of_one_player_lock_on_none(world: int) -> None:
    """The serves all but agree; only their times do not."""
    rng = np.random.default_rng(world)
    count = (3, 5, 8)[world]
    clips = []
    for k in range(2):
        series = ServeSeries(contacts(rng.normal(11, 2.5, count - 1)), seed=10 * world + k, vary=0.1)
        clips.append(clip(CAMERAS[k], series, 0.0, series.contacts_s[-1] + 4, seed=k))
    with pytest.raises(NotMeasurable, match="cannot tell which serve"):
        match_clips(clips)


@pytest.mark.parametrize(("shared", "told"), [(1, False), (2, False), (4, True)])
def test_few_shared_serves_of_a_look_alike_series(shared: int, told: bool) -> None:
    series = ServeSeries(contacts(PAUSES_S[:6]), seed=5, vary=0.1)
    cut = series.contacts_s[-shared] - 4
    a = clip(CAMERAS[0], series, 0.0, series.contacts_s[-1] + 4)
    b = clip(CAMERAS[1], series, cut, series.contacts_s[-1] + 4, seed=1)
    try:
        got = match_clips((a, b))[1].offset_s
    except NotMeasurable:
        assert not told
    else:
        assert told and got == pytest.approx(cut, abs=0.005)


def test_a_single_serve_in_each_clip_needs_no_telling_apart() -> None:
    series = ServeSeries((6.0,))
    got = match_clips((clip(CAMERAS[0], series, 0.0, 12.0), clip(CAMERAS[1], series, 1.3, 11.0, seed=1)))
    assert got[1].offset_s == pytest.approx(1.3, abs=0.005) and got[1].serves == 1


def test_a_clip_without_serves_is_named() -> None:
    series = ServeSeries(contacts(PAUSES_S[:3]))
    empty = clip(CAMERAS[1], series, 200.0, 230.0)
    with pytest.raises(NotMeasurable, match="no serve was found in the clip of rear_right"):
        match_clips((clip(CAMERAS[0], series, 0.0, 60.0), empty))


@pytest.mark.parametrize("bad", [{"agreement": 1.2}, {"covered": 0.4}, {"chance": 0.0}, {"looks_hz": -1.0}])
def test_options_out_of_range_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(BadInput, match="clips: want"):
        partial(ClipMatchOptions, **bad)()
