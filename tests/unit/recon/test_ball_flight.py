"""The ball over all cameras: arcs, strike, release, other throws, and what the checks make of wrong rigs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import NotMeasurable
from calibration.geometry import Camera, Rigid
from recon.flight import BALL_KINDS, HandPath, ball_checks, find_ball, fit_ball, sightings_of
from recon.flight.arcs import Arcs, Prior, fit_arcs
from recon.records import BALL_PARAMETERS, Check, Clocks, Tracks2D
from recon.records.checks import FAILED, PASSED, UNTOLD
from tests.support.ball_worlds import BALL, Filming, InventedToss, filmed
from tests.support.world import three_cameras

CAMERAS = three_cameras()
FULL = BALL_KINDS["full"]
THROWN_TWICE = (
    InventedToss(release_s=1.6, contact_s=2.4),
    InventedToss(
        release_s=0.3, contact_s=None, start_m=(0.3, 0.2, 1.5), velocity_m_s=(0.1, 0.2, 4.0), visible_s=5
    ),
)
CAUGHT = "the ball was tossed and caught at 1.1 s; the serve is measured from the toss at 1.6 s"


def test_drag_of_a_usual_ball_is_the_published_one() -> None:
    """57.7 g, 67 mm, 0.525 in air of 1.2 kg/m³: 0.5 * 1.2 * 0.525 * pi / 4 * 0.067² / 0.0577 = 0.01925."""
    k, u = FULL.drag_per_m
    assert k == pytest.approx(0.01925, rel=0.002)
    assert 0.04 < u / k < 0.08


def test_a_parabola_without_air_falls_too_fast_by_what_the_reference_says(rng: np.random.Generator) -> None:
    """Derived values: a parabola through a real toss of 4.5 to 6.3 m/s falls with 9.85 to 9.93 m/s²."""
    for speed in (4.5, 6.3):
        toss = InventedToss(velocity_m_s=(0.0, 0.0, speed), contact_s=None)
        rise = speed / 9.81
        tracks, clocks, _ = filmed(toss, CAMERAS, Filming(sigma_px=0.05, lost=0.0), rng)
        seen = sightings_of(CAMERAS, tracks, clocks)
        until = 0.6 + rise + np.sqrt(2 * 0.3 / 9.81)
        seen = seen.where((seen.t_s > 0.6) & (seen.t_s < until))
        start = Arcs(0.6, np.array([*toss.start_m, *toss.velocity_m_s, 9.81, 0.0]))
        airless = fit_arcs(start, seen, Prior(drag=1e-9, u_drag=1e-9, u_fall=None))
        assert 9.84 < airless.arcs.values[6] < 9.94
        aired = fit_arcs(start, seen, Prior(drag=toss.drag_per_m, u_drag=1e-9, u_fall=None))
        assert aired.arcs.values[6] == pytest.approx(9.81, abs=0.005)


def test_derivatives_are_those_of_differences() -> None:
    values = np.array([0.2, 0.1, 1.9, 0.1, 0.3, 5.0, 9.81, 0.02, 0.905, -3.0, 45.0, -6.0])
    arcs, t = Arcs(0.1, values), np.array([0.0, 0.4, 0.85, 0.93, 1.0])
    by = arcs.by_values(t)[2]
    for k, step in enumerate([1e-4] * 6 + [1e-3, 1e-4, 1e-6] + [1e-3] * 3):
        near = [Arcs(0.1, values + sign * step * np.eye(12)[k]).at(t)[0] for sign in (1, -1)]
        np.testing.assert_allclose(by[..., k], (near[0] - near[1]) / (2 * step), atol=2e-4)


def test_three_cameras_at_120_a_second_reach_the_goals(rng: np.random.Generator) -> None:
    """Rolling shutters, lost pictures, clutter: apex, contact, speed and gravity within their goals."""
    toss = InventedToss()
    filming = Filming(sigma_px=1.5, readout_s=0.006, clutter=2)
    tracks, clocks, candidates = filmed(toss, CAMERAS, filming, rng)
    path = fit_ball(find_ball(sightings_of(CAMERAS, tracks, clocks, candidates)), clocks)
    flight = path.flight
    assert flight is not None
    fine = np.linspace(0.6, 1.5, 4001)
    assert abs(flight.apex()[1][2] - toss.at(fine)[:, 2].max()) < 0.003
    assert flight.contact_s == pytest.approx(1.5, abs=0.0005)
    assert abs(flight.gravity_m_s2 - 9.81) < 0.15
    speed = flight.struck_speed_m_s()
    assert speed is not None and abs(speed / np.linalg.norm(toss.struck_m_s) - 1) < 0.01
    assert flight.struck_sightings >= 20
    truth = toss.at(np.array([0.9, 1.49, 1.53]))
    assert np.linalg.norm(flight.at(np.array([0.9, 1.49, 1.53])) - truth, axis=1).max() < 0.01


@pytest.mark.parametrize("opening", ["jump", "even", "slip"])
@pytest.mark.parametrize("with_hand", [True, False])
def test_release_is_found_however_the_hand_opens(
    opening: str, with_hand: bool, rng: np.random.Generator
) -> None:
    toss = InventedToss(opening=opening)
    tracks, clocks, _ = filmed(toss, CAMERAS, Filming(sigma_px=0.8), rng)
    t = np.arange(0, 1.7, 1 / 120)
    wrist = toss.hand_at(t) + rng.normal(0, 0.012, 3) + rng.normal(0, 0.005, (len(t), 3))
    hand = HandPath(t, wrist) if with_hand else None
    flight = fit_ball(find_ball(sightings_of(CAMERAS, tracks, clocks)), clocks, hand=hand).flight
    assert flight is not None and flight.release_s is not None
    u = float(np.sqrt(flight.covariance("pixels")[8, 8]))
    assert 0.005 < u < 0.025
    assert abs(flight.release_s - 0.6) < max(0.03 if not with_hand else 0.025, 2 * u)


def test_the_toss_that_was_struck_is_the_serve_and_the_other_is_told(rng: np.random.Generator) -> None:
    filming = Filming(sigma_px=1.0, span_s=(0.0, 2.7), clutter=1)
    tracks, clocks, candidates = filmed(THROWN_TWICE, CAMERAS, filming, rng)
    found = find_ball(sightings_of(CAMERAS, tracks, clocks, candidates))
    path = fit_ball(found, clocks)
    assert path.flight is not None and path.flight.contact_s == pytest.approx(2.4, abs=0.001)
    assert found.told == (CAUGHT,)


@pytest.mark.parametrize("lost_s", [(9.0, 9.0), (0.55, 0.85)])
def test_the_last_toss_is_the_serve_where_the_struck_ball_was_not_seen(
    lost_s: tuple[float, float], rng: np.random.Generator
) -> None:
    """The one that was caught went 0.2 m higher; lost at its highest, its first part ends on high as well."""
    higher = replace(THROWN_TWICE[1], velocity_m_s=(0.1, 0.2, 5.6))
    struck = replace(THROWN_TWICE[0], start_m=(0.25, 0.3, 1.5), release_s=2.2, contact_s=3.0)
    filming = Filming(sigma_px=1.0, span_s=(0.0, 3.3), clutter=1)
    tracks, clocks, candidates = filmed((struck, higher), CAMERAS, filming, rng)
    seen = sightings_of(CAMERAS, tracks, clocks, candidates)
    seen = seen.where((seen.t_s < 3.0) & ((seen.t_s < lost_s[0]) | (seen.t_s > lost_s[1])))
    found = find_ball(seen)
    path = fit_ball(found, clocks)
    assert path.flight is not None and path.flight.contact_s is None
    assert path.flight.release_s == pytest.approx(2.2, abs=0.03)
    (said,) = found.told
    assert "tossed and caught at 1.4 s" in said and "the toss at 2." in said


def test_the_ball_stays_the_same_where_other_patches_are_left_out(rng: np.random.Generator) -> None:
    tracks, clocks, candidates = filmed(InventedToss(), CAMERAS, Filming(sigma_px=1.0, clutter=2), rng)
    found = find_ball(sightings_of(CAMERAS, tracks, clocks, candidates))
    kept = np.isin(np.arange(len(found.seen)), found.rows) | (np.arange(len(found.seen)) % 3 == 0)
    fewer = found.among(kept)
    assert len(fewer.seen) == kept.sum() < len(found.seen)
    for own, of_all in ((fewer.toss, found.toss), (fewer.struck, found.struck)):
        assert len(own) > 10
        np.testing.assert_array_equal(fewer.seen.uv_px[own], found.seen.uv_px[of_all])


def test_a_picture_has_one_ball(rng: np.random.Generator) -> None:
    """Every patch twice, the second one 4 px beside the first: the nearer to the arc is the ball."""
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(sigma_px=1.0), rng)
    one = sightings_of(CAMERAS, tracks, clocks)
    two = one.where(np.repeat(np.arange(len(one)), 2))
    second = np.arange(len(two)) % 2 == 1
    found = find_ball(replace(two, uv_px=two.uv_px + 4.0 * second[:, None]))
    pictures = {*zip(two.camera[found.rows], two.frame[found.rows], strict=True)}
    assert len(found.rows) == len(pictures) > 200
    assert second[found.rows].mean() < 0.3


def test_clocks_that_are_all_late_move_release_and_contact_alike(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(), rng)
    flight = fit_ball(find_ball(sightings_of(CAMERAS, tracks, clocks)), clocks).flight
    assert flight is not None and flight.by_clocks is not None
    release, contact = (BALL_PARAMETERS.index(f"{name}_s") for name in ("release", "contact"))
    for row in (release, contact):
        assert flight.by_clocks[row, ::3].sum() == pytest.approx(-1, abs=1e-3)


def test_a_toss_that_nobody_strikes_has_no_contact(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(THROWN_TWICE[1], CAMERAS, Filming(), rng)
    flight = fit_ball(find_ball(sightings_of(CAMERAS, tracks, clocks)), clocks).flight
    assert flight is not None and flight.contact_s is None and flight.struck_speed_m_s() is None


def test_gaps_and_few_pictures_after_contact(rng: np.random.Generator) -> None:
    """A quarter of the pictures lost, none for 50 ms before contact, and the struck ball seen for 35 ms."""
    toss = InventedToss()
    tracks, clocks, _ = filmed(toss, CAMERAS, Filming(lost=0.25), rng)
    seen = sightings_of(CAMERAS, tracks, clocks)
    kept = seen.where(((seen.t_s < 1.45) | (seen.t_s > 1.502)) & (seen.t_s < 1.535))
    flight = fit_ball(find_ball(kept), clocks).flight
    assert flight is not None and flight.contact_s == pytest.approx(1.5, abs=0.002)
    speed, u = flight.struck_speed_m_s(), float(np.sqrt(flight.covariance("pixels")[11, 11]))
    assert speed is not None and abs(speed - np.linalg.norm(toss.struck_m_s)) < 4 * u


def blind(tracks: Tracks2D, sights: int) -> Tracks2D:
    """The tracks with all but the first so many sights of the ball lost."""
    cameras = []
    for camera in tracks.cameras:
        uv, sigma = camera.uv_px.copy(), camera.sigma_px.copy()
        gone = np.flatnonzero(~np.isnan(sigma[:, BALL]))[sights:]
        uv[gone, BALL], sigma[gone, BALL] = np.nan, np.nan
        cameras.append(replace(camera, uv_px=uv, sigma_px=sigma))
    return replace(tracks, cameras=tuple(cameras))


def test_no_ball_says_why(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(), rng)
    for sights, why in ((0, "no camera saw anything"), (5, "in 5 frames; want at least 8"), (12, "no stretch")):
        found = find_ball(sightings_of(CAMERAS, blind(tracks, sights), clocks))
        path = fit_ball(found, clocks)
        assert path.flight is None and why in path.why
        (check,) = ball_checks(path, found)
        assert check.verdict == UNTOLD and check.why == path.why


@pytest.mark.parametrize(("length_m", "verdict"), [(0.690, PASSED), (0.740, FAILED)])
def test_without_a_ball_the_racket_still_tells_the_scale(rng, length_m, verdict) -> None:
    """0.685 m are told, u is 4 mm: 0.740 m is too long for that."""
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(), rng)
    found = find_ball(sightings_of(CAMERAS, blind(tracks, 0), clocks))
    fall, length = ball_checks(fit_ball(found, clocks), found, (length_m, 0.004, 0.685))
    assert fall.verdict == UNTOLD and length.verdict == verdict
    assert ("square size" in length.why) == (verdict == FAILED)


# -- checks: what fits a wrong rig -------------------------------------------------------------------------


def checked(
    cameras: tuple[Camera, ...], tracks: Tracks2D, clocks: Clocks, size_px: float = np.nan, length: float = 1.0
) -> dict[str, Check]:
    seen = sightings_of(cameras, tracks, clocks)
    seen = replace(seen, diameter_px=np.full(len(seen), size_px))
    found = find_ball(seen)
    return {c.name: c for c in ball_checks(fit_ball(found, clocks), found, (0.685 * length, 0.004, 0.685))}


def stretched(camera: Camera, factor: float) -> Camera:
    pose = camera.cam_from_world
    return camera.placed(Rigid(pose.R, factor * pose.t_m, pose.dst, pose.src))


def test_a_right_rig_passes_its_checks(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(sigma_px=0.8), rng)
    assert {c.verdict for c in checked(CAMERAS, tracks, clocks).values()} == {"agrees"}


def test_wrong_squares_stretch_fall_and_lengths_alike(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(sigma_px=0.8), rng)
    wrong = tuple(stretched(c, 1.05) for c in CAMERAS)
    checks = checked(wrong, tracks, clocks, length=1.05)
    assert checks["gravity"].verdict == FAILED
    assert checks["gravity"].value == pytest.approx(1.05 * 9.81, abs=0.1)
    assert "by the same factor" in checks["gravity"].why and "smaller than told" in checks["gravity"].why
    assert checks["the racket's length"].verdict == FAILED


def test_a_wrong_rate_changes_the_fall_by_its_square_alone(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(sigma_px=0.8, offsets_s=(0.0, 0.0, 0.0)), rng)
    slow = replace(tracks, cameras=tuple(replace(c, t_cam_s=1.04 * c.t_cam_s) for c in tracks.cameras))
    checks = checked(CAMERAS, slow, clocks)
    assert checks["gravity"].value == pytest.approx(9.81 / 1.04**2, abs=0.1)
    assert checks["gravity"].verdict == FAILED
    assert "lengths are right" in checks["gravity"].why
    assert "% more pictures a second than stamped" in checks["gravity"].why


def test_a_path_that_falls_otherwise_is_told_with_its_own_fall(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(sigma_px=0.8, offsets_s=(0.0, 0.0, 0.0)), rng)
    for rate, fall in ((1.0, 9.81), (1.04, 9.81 / 1.04**2)):
        cameras = tuple(replace(c, t_cam_s=rate * c.t_cam_s) for c in tracks.cameras)
        seen = sightings_of(CAMERAS, replace(tracks, cameras=cameras), clocks)
        flight = fit_ball(find_ball(seen), clocks).flight
        assert flight is not None and flight.fall_m_s2 == pytest.approx(fall, abs=0.06)


def test_a_moved_camera_misses_the_others_rays(rng: np.random.Generator) -> None:
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(sigma_px=0.8), rng)
    pose = CAMERAS[2].cam_from_world
    moved = CAMERAS[2].placed(Rigid(pose.R, pose.t_m + [0.0, 0.06, 0.0], pose.dst, pose.src))
    checks = checked((*CAMERAS[:2], moved), tracks, clocks)
    assert checks["the rays to the ball"].verdict == FAILED
    assert "moved" in checks["the rays to the ball"].why


def test_the_balls_size_is_its_diameter_over_distance(rng: np.random.Generator) -> None:
    """Every camera is about 7.6 m away, where 1000 px of focal length make 67 mm 8.8 px."""
    tracks, clocks, _ = filmed(InventedToss(), CAMERAS, Filming(sigma_px=0.5), rng)
    assert checked(CAMERAS, tracks, clocks, size_px=8.8)["the ball's diameter"].verdict == "agrees"
    assert checked(CAMERAS, tracks, clocks, size_px=12.0)["the ball's diameter"].verdict == FAILED


def test_a_strike_before_all_its_pictures_is_no_path(rng: np.random.Generator) -> None:
    """Nothing tells the second arc then: it is said, and nothing is divided by zero on the way."""
    tracks, clocks, _ = filmed(InventedToss(contact_s=None), CAMERAS, Filming(lost=0.0), rng)
    seen = sightings_of(CAMERAS, tracks, clocks)
    seen = seen.where((seen.t_s > 0.7) & (seen.t_s < 1.2))
    toss = InventedToss()
    values = np.array([*toss.start_m, *toss.velocity_m_s, 9.81, toss.drag_per_m, 1.3, 0.0, 40.0, 0.0])
    with pytest.raises(NotMeasurable, match="do not tell its path"):
        fit_arcs(Arcs(0.6, values), seen, Prior(drag=toss.drag_per_m, u_drag=1e-3))
