"""A film is glanced at seldom, looked at closely around raised hands, and its server kept in sight cheaply.

The model is a stand-in that reads INVENTED poses by the picture's number.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BadInput, NotMeasurable
from calibration.footage import Frame, Video
from recon.keypoints import GlimpseOptions, Looks, ServerPlace, Window, glances, glimpse
from recon.keypoints.passes import Seen
from recon.keypoints.pose import Pose
from recon.records import BODY
from tests.support.world import three_cameras

CAMERA = three_cameras()[0]
POINTS = ("left_hip", "right_hip", "right_wrist")
HZ = 12.0
FEET_M = np.array([0.0, -0.4, 0.0])
SMALL = np.array([960, 540]) / np.array(CAMERA.size_px)


def body_px(feet_m: np.ndarray = FEET_M, hand_m: float = 1.0) -> np.ndarray:
    """(27, 2) of a plain figure in small pictures, its right hand as high as told."""
    heights = {"heel": 0.0, "toe": 0.0, "ankle": 0.1, "knee": 0.5, "hip": 0.95, "wrist": 1.0, "shoulder": 1.45}
    up = np.array([heights.get(name.split("_")[-1], 1.6) for name in BODY])
    up[BODY.index("right_wrist")] = hand_m
    full = CAMERA.project(feet_m + np.stack([np.zeros(27), np.zeros(27), up], axis=1))
    return np.asarray((full + 0.5) * SMALL - 0.5)


class Stage:
    """What pictures show: picture k is empty but for its number; poses by time."""

    def __init__(self, length_s: float) -> None:
        self.length_s = length_s
        self.raised: list[tuple[float, float]] = []
        self.away: list[tuple[float, float]] = []
        self.two: list[tuple[float, float]] = []
        self.reads: list[float] = []
        self.searches: list[float] = []

    def skim(self, video: Video, looks_hz: float, longest_px: int) -> Iterator[Frame]:
        assert (looks_hz, longest_px) == (HZ, 960)
        for k in range(round(self.length_s * HZ)):
            yield Frame(k, k / HZ, np.full((2, 2, 3), k, np.uint8))

    def pose(self, t: float) -> Pose | None:
        if any(a <= t < b for a, b in self.away):
            return None
        up = any(a <= t < b for a, b in self.raised)
        return Pose(body_px(hand_m=2.0 if up else 1.0), np.ones(27))

    def read(self, picture: np.ndarray, window: Window) -> Pose | None:
        self.reads.append(int(picture[0, 0, 0]) / HZ)
        return self.pose(self.reads[-1])

    def forget(self) -> None:
        """As PoseReader."""

    def search(self, reader: Stage, picture: np.ndarray, mode: object, place: ServerPlace) -> Seen | None:
        t = int(picture[0, 0, 0]) / HZ
        self.searches.append(t)
        if any(a <= t < b for a, b in self.two):
            raise NotMeasurable("two people stand where the server may")
        pose = self.pose(t)
        return None if pose is None else Seen(pose.uv_px, pose.visibility, np.full(27, np.nan))

    def look(self, window: Window | None = None, **changed: float) -> Looks:
        return glimpse(
            Video(Path("film.mp4")),
            self,  # type: ignore[arg-type]
            ServerPlace(CAMERA),
            POINTS,
            lambda uv: bool(uv[2, 1] < uv[0, 1] - 40),
            GlimpseOptions(**changed),  # type: ignore[arg-type]
            window,
        )


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch) -> Stage:
    made = Stage(12.0)
    monkeypatch.setattr(glances, "skim", made.skim)
    monkeypatch.setattr(glances, "server_in", made.search)
    return made


def test_while_nothing_happens_looks_are_seldom(stage: Stage) -> None:
    seen = stage.look()
    assert len(seen.t_s) == 48 and stage.searches == [0.0]
    np.testing.assert_allclose(np.diff(seen.t_s), 0.25, atol=1e-9)
    full = CAMERA.project(FEET_M + [0, 0, 0.95])
    np.testing.assert_allclose(seen.uv_px[7, 0], full, atol=1e-6)  # back in full-size pixels
    np.testing.assert_allclose(seen.hips_px, full, atol=1e-6)


def test_a_raised_hand_is_looked_at_closely_from_before_until_after(stage: Stage) -> None:
    stage.raised = [(5.1, 5.6)]
    seen = stage.look()
    close = seen.t_s[np.flatnonzero(np.diff(seen.t_s) < 1.5 / HZ)]
    assert close[0] <= 5.25 - 1.0 + 0.3 and close[-1] >= 5.5 + 1.3 - 1.5 / HZ
    inside = (seen.t_s > close[0]) & (seen.t_s < close[-1])
    np.testing.assert_allclose(np.diff(seen.t_s[inside]), 1 / HZ, atol=1e-9)  # none passed over there
    assert len(set(seen.t_s.tolist())) == len(seen.t_s) and np.all(np.diff(seen.t_s) > 0)
    assert len(seen.t_s) < 48 + 2.6 * HZ


def test_a_lost_player_is_searched_for_seldom_and_found_again(stage: Stage) -> None:
    stage.away = [(2.0, 7.1)]
    seen = stage.look()
    gone = np.isnan(seen.uv_px[:, 0, 0])
    assert seen.t_s[gone].min() == pytest.approx(2.0) and seen.t_s[gone].max() < 9.1
    assert len(stage.searches) <= 5 and seen.t_s[~gone][-1] > 11.5


def test_where_two_may_be_the_server_nobody_is_seen(stage: Stage) -> None:
    stage.two = [(0.0, 3.0)]
    seen = stage.look()
    gone = np.isnan(seen.uv_px[:, 0, 0])
    assert gone[seen.t_s < 3.0].all() and not gone[seen.t_s > 4.5].any()


def test_a_stretch_goes_on_where_the_one_before_it_ended(stage: Stage) -> None:
    first = stage.look()
    stage.searches.clear()
    assert stage.look(first.window).window is not None and stage.searches == []


@pytest.mark.parametrize("bad", [{"seldom_hz": 0.0}, {"seldom_hz": 13.0}, {"again_s": -1.0}])
def test_options_out_of_range_are_refused(bad: dict[str, float]) -> None:
    with pytest.raises(BadInput, match="glimpses: want"):
        GlimpseOptions(**bad)  # type: ignore[arg-type]
