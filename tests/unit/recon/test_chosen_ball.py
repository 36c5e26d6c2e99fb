"""The session's ball: tracks get the patch on the flight, and what checks say is told once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration import CalibratedRig
from calibration.geometry.camera import N_CAMERA
from calibration.provenance import Provenance
from recon.pipeline.ball import check_flags, choose_ball, with_ball_of
from recon.records import Check, Tracks2D
from recon.records.checks import FAILED, PASSED
from recon.session import Session, SessionFile
from tests.support.ball_worlds import BALL, Filming, InventedToss, filmed
from tests.support.world import three_cameras

CAMERAS = three_cameras()
RIG = CalibratedRig("invented", "court", CAMERAS, np.eye(3 * N_CAMERA) * 1e-8, Provenance("test", {}))
SESSION = Session(Path(), SessionFile(rig="rig", handedness="right", keypoints="points.csv"))


def astray(tracks: Tracks2D) -> Tracks2D:
    """Every camera's ball on one spot that is none, in every picture."""
    cameras = []
    for camera in tracks.cameras:
        uv, sigma = camera.uv_px.copy(), camera.sigma_px.copy()
        uv[:, BALL], sigma[:, BALL] = (100.0, 200.0), 1.0
        cameras.append(replace(camera, uv_px=uv, sigma_px=sigma))
    return replace(tracks, cameras=tuple(cameras))


def test_the_patch_on_the_flight_takes_the_place_of_the_one_a_camera_liked_best(
    rng: np.random.Generator,
) -> None:
    """Of four patches a picture one is the ball; none stands in for it where it is hidden for a picture."""
    tracks, clocks, candidates = filmed(InventedToss(), CAMERAS, Filming(clutter=3, lost=0.1), rng)
    liked = astray(tracks)
    chosen = choose_ball(SESSION, RIG, liked, clocks, candidates)
    lost = 0
    for true, camera, found in zip(tracks.cameras, liked.cameras, chosen.tracks.cameras, strict=True):
        t = clocks.of(camera.camera).rig_time(camera.t_cam_s)
        free = (t > 0.65) & (t < 1.55)
        there = free & ~np.isnan(true.sigma_px[:, BALL])
        np.testing.assert_array_equal(found.uv_px[there, BALL], true.uv_px[there, BALL])
        assert np.isnan(found.uv_px[free & ~there, BALL]).all()
        lost += int((free & ~there).sum())
        assert (found.uv_px[t < 0.45, BALL] == (100, 200)).all()  # before the toss nothing is known better
    assert lost > 10
    other = with_ball_of(liked, chosen.tracks)
    for a, b in zip(other.cameras, chosen.tracks.cameras, strict=True):
        np.testing.assert_array_equal(a.uv_px[:, BALL], b.uv_px[:, BALL])
        np.testing.assert_array_equal(a.sigma_px[:, BALL], b.sigma_px[:, BALL])
    kept = chosen.found.seen
    near = (kept.t_s > 0.65) & (kept.t_s < 1.55)
    assert near.sum() == np.isin(np.flatnonzero(near), chosen.found.rows).sum()


def test_without_a_ball_the_tracks_stay_as_they_are(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(), rng)
    chosen = choose_ball(SESSION, RIG, astray(tracks), clocks, {})
    assert (chosen.tracks.cameras[0].uv_px[:, BALL] == (100, 200)).all()
    assert not len(chosen.found.rows) and chosen.found.why


def test_failed_checks_are_told_and_gravity_only_once() -> None:
    off = Check("gravity", "m/s²", 10.5, 0.05, 9.81, 0.0, FAILED, "that fits a film")
    size = Check("the ball's diameter", "m", 0.09, 0.002, 0.067, 0.001, FAILED, "look")
    fine = Check("the rays to the ball", "px", 0.1, 0.1, 0.0, 0.0, PASSED)
    assert check_flags((off, size, fine), ()) == [off.sentence(), size.sentence()]
    assert check_flags((off, size, fine), ("the toss falls with 10.5 m/s²",)) == [size.sentence()]
