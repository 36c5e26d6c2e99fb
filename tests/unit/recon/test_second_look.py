"""A second look at what the first one lost or mistook, with invented tracks in the detector's place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.checks import Array
from calibration.footage import Video
from recon.keypoints import MODES, ClipTracks, MarkerOptions, ServerPlace, Wanted
from recon.pipeline import PipelineOptions, second_look
from recon.pipeline.crew import Clip
from recon.pipeline.detect import Found
from recon.pipeline.second_look import Checked, person_flags, with_second_look
from recon.records import BODY, KEYPOINTS, CameraTracks, Clock, Clocks, Tracks2D
from tests.support.invented_people import Somebody, stands, walks
from tests.support.world import three_cameras

CAMERAS = three_cameras()
T = np.arange(0.0, 2.0, 1 / 60)
SERVER = Somebody(walks((0.5, -0.3), (0.6, 0.3), 2.0), 1.8)
OTHER = Somebody(stands(-2.2, -2.2), 1.7)
Whom = Callable[[str, float], Somebody | None]


def clip_of(camera: Any, whom: Whom, times: Array = T, seed: int = 0) -> ClipTracks:
    """What a camera that follows whom it is told to sees; no racket, no ball."""
    rng = np.random.default_rng(seed)
    uv = np.full((len(times), len(KEYPOINTS), 2), np.nan)
    for k, t in enumerate(times):
        somebody = whom(camera.name, t)
        if somebody is not None:
            exact = camera.project(somebody.body_m(t))
            uv[k, : len(BODY)] = exact + rng.normal(0, 0.012 * np.ptp(exact[:, 1]), exact.shape)
    there = np.where(np.isnan(uv[:, : len(BODY), 0]), np.nan, 1.0)
    return ClipTracks(times, uv, there, np.full((len(times), 4), np.nan), np.full(there.shape, np.nan))


@dataclass
class Studio:
    """The detector's stand-in: a first pass as told, and a second one that sees whom `again` says."""

    first: Whom
    again: Whom = lambda camera, t: SERVER
    cameras: tuple = CAMERAS
    wanted: dict[str, tuple[Wanted, ...]] = field(default_factory=dict)

    def check(self, monkeypatch: pytest.MonkeyPatch) -> Checked:
        marks = MarkerOptions(hues_deg=(300.0, 180.0, 120.0, 60.0), tolerance_deg=15.0)
        read = {
            c.name: Clip(Video(Path(c.name)), Path("m"), marks, MODES["quick"], ServerPlace(c))
            for c in self.cameras
        }
        clips = {c.name: clip_of(c, self.first, seed=k) for k, c in enumerate(self.cameras)}
        sizes = {c.name: c.size_px for c in self.cameras}

        class Played(Found):
            def tracks(self) -> Tracks2D:
                def one(name: str, clip: ClipTracks) -> CameraTracks:
                    sigma = np.where(np.isnan(clip.uv_px[..., 0]), np.nan, 3.0)
                    return CameraTracks(name, sizes[name], clip.t_cam_s, clip.uv_px, sigma)

                return Tracks2D(KEYPOINTS, tuple(one(n, c) for n, c in self.clips.items()), "invented")

        def looked(_session: object, _found: object, wanted: dict, *_: object) -> dict[str, ClipTracks]:
            self.wanted = wanted
            own = {c.name: c for c in self.cameras}
            return {
                name: clip_of(own[name], self.again, np.array([w.t_cam_s for w in looks]), seed=9)
                for name, looks in wanted.items()
                if looks
            }

        clocks = Clocks(self.cameras[0].name, tuple(Clock(c.name, 0.0, 0.0) for c in self.cameras))
        monkeypatch.setattr(second_look, "look_again_at", looked)
        monkeypatch.setattr(second_look, "first_clocks", lambda *_: clocks)
        monkeypatch.setattr(second_look, "with_true_times", lambda _session, tracks: tracks)
        session: Any = None
        return with_second_look(session, self.cameras, Played(read, clips), PipelineOptions(), lambda *_: None)

    def right(self, checked: Checked, camera: str) -> Array:
        """(T,) 1 where that camera's body is the server's, 0 where it is not, NaN where there is none."""
        own = next(c for c in self.cameras if c.name == camera)
        uv = checked.tracks.of(camera).uv_px[:, : len(BODY)]
        true = np.array([own.project(SERVER.body_m(t)) for t in T])
        off = np.median(np.linalg.norm(uv - true, axis=2), axis=1)
        return np.where(np.isnan(off), np.nan, off < 0.1 * np.ptp(true[..., 1], axis=1))


def during(t: float, start: float, stop: float) -> bool:
    return start <= t < stop


def test_where_all_is_well_nothing_is_looked_at_again(monkeypatch: pytest.MonkeyPatch) -> None:
    studio = Studio(lambda c, t: SERVER)
    checked = studio.check(monkeypatch)
    assert studio.wanted == {} and checked.told == () and checked.trouble == () and checked.clocks is not None


@pytest.mark.parametrize("wrong", [c.name for c in CAMERAS])
def test_a_camera_that_went_along_with_another_is_brought_back(
    monkeypatch: pytest.MonkeyPatch, wrong: str
) -> None:
    studio = Studio(lambda c, t: OTHER if c == wrong and during(t, 0.5, 1.2) else SERVER)
    checked = studio.check(monkeypatch)
    assert np.nanmean(studio.right(checked, wrong)) == 1.0 and not np.isnan(studio.right(checked, wrong)).any()
    (told,) = checked.told
    assert f"camera {wrong} followed somebody else" in told and checked.trouble == ()
    own = next(c for c in CAMERAS if c.name == wrong)
    assert set(name for name, looks in studio.wanted.items() if looks) == {wrong}
    times = [w.t_cam_s for w in studio.wanted[wrong]]
    assert len(set(times)) == len(times) <= 44  # one look a frame, and no frame that was right
    for w in studio.wanted[wrong]:
        body = own.project(SERVER.body_m(w.t_cam_s))
        assert np.abs(body - [w.window.u_px, w.window.v_px]).max() < w.window.side_px / 2


def test_a_player_lost_is_found_again(monkeypatch: pytest.MonkeyPatch) -> None:
    studio = Studio(lambda c, t: None if c == "side" and during(t, 0.5, 1.2) else SERVER)
    checked = studio.check(monkeypatch)
    right = studio.right(checked, "side")
    assert np.nanmin(right) == 1.0 and np.isnan(right).mean() < 0.25  # a slow body needs no look at each frame
    assert "camera side lost the player" in checked.told[0]


def test_who_is_still_somebody_else_is_left_out_and_said(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong: Whom = lambda c, t: OTHER if c == "side" and during(t, 0.5, 1.2) else SERVER  # noqa: E731
    studio = Studio(wrong, again=lambda c, t: OTHER)
    checked = studio.check(monkeypatch)
    right = studio.right(checked, "side")
    assert np.nanmin(right) == 1.0 and 0.3 < np.isnan(right).mean() < 0.4
    (trouble,) = checked.trouble
    assert "camera side followed somebody else" in trouble and "[server]" in trouble


def test_a_wrong_body_is_no_mending(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second look finds the passer-by who hides the player."""
    studio = Studio(
        lambda c, t: None if c == "side" and during(t, 0.5, 1.2) else SERVER, again=lambda c, t: OTHER
    )
    checked = studio.check(monkeypatch)
    right = studio.right(checked, "side")
    assert np.nanmin(right) == 1.0 and 0.3 < np.isnan(right).mean() < 0.4


def test_two_cameras_that_never_agree_are_below_the_gate(monkeypatch: pytest.MonkeyPatch) -> None:
    studio = Studio(lambda c, t: OTHER if c == "rear_left" else SERVER, cameras=CAMERAS[:2])
    checked = studio.check(monkeypatch)
    assert len(checked.trouble) == 2 and "follow different people" in checked.trouble[0]


def test_own_points_of_two_people_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    clocks = Clocks("rear_left", tuple(Clock(c.name, 0.0, 0.0) for c in CAMERAS))
    monkeypatch.setattr(second_look, "first_clocks", lambda *_: clocks)
    session: Any = None
    for whom, count in ((lambda c, t: SERVER, 0), (lambda c, t: OTHER if c == "side" else SERVER, 1)):
        seen = []
        for c in CAMERAS:
            uv = clip_of(c, whom).uv_px
            sigma = np.where(np.isnan(uv[..., 0]), np.nan, 3.0)
            seen.append(CameraTracks(c.name, c.size_px, T, uv, sigma))
        checked = person_flags(session, CAMERAS, Tracks2D(KEYPOINTS, tuple(seen), "invented"))
        assert len(checked.trouble) == count and all("camera side" in s for s in checked.trouble)
