"""Uncertainties of measures where they can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.body import Body
from recon.definitions import DEFINITIONS
from recon.measures import Athlete, measure
from recon.records import KEYPOINTS, Event, Events
from recon.uncertainty import Displacements
from tests.support.posed import EVENTS, RIGHT_HANDER, T, as_motion, moving, posed, still, tossed


def test_uncertainty_of_a_distance_is_that_of_its_point(rng):
    """All points moved together by N(0, 1 cm) along y: the hip's distance from the line has u = 1 cm."""
    body = still(RIGHT_HANDER, "right")
    shift = rng.normal(0, 0.01, (400, 1, 1, 1)) * np.array([0.0, 1.0, 0.0])
    moved = np.broadcast_to(shift, (400, *body.xyz_m.shape))
    measures = measure(as_motion(body), EVENTS, "right", Athlete(), [Displacements("pixels", moved)]).measures
    hip = measures.of("hip_past_baseline_trophy")
    assert hip.u == pytest.approx(0.01, rel=0.12)
    assert hip.high95 - hip.value == pytest.approx(1.96 * hip.u)
    relative = measures.of("hip_past_front_toe_max")
    assert relative.sources.get("pixels", 0.0) < 1e-9


def test_foot_fault_words_follow_the_interval():
    """85 mm behind with u of about 10 mm (the shoe's outline alone) is clear; 10 mm behind cannot be told."""
    words = {}
    for toe_y in (-0.10, -0.025, 0.1):
        pose = dict(RIGHT_HANDER, left_toe=(0.0, toe_y, 0.03))
        measures = measure(as_motion(still(pose, "right")), EVENTS, "right", Athlete(), []).measures
        words[toe_y] = measures.of("foot_fault_clearance").note
    assert words == {-0.10: "clear", -0.025: "cannot be told", 0.1: "touching"}


def test_a_measure_that_its_own_uncertainty_takes_away_is_absent():
    """Contact at 1.6 ± 0.1 s, and a tip that is seen from 1.59 to 1.61 s only: most draws miss it."""
    xyz = still(RIGHT_HANDER, "right").xyz_m.copy()
    xyz[np.abs(T - 1.6) > 0.01, KEYPOINTS.index("racket_tip")] = np.nan
    motion = as_motion(Body(T, KEYPOINTS, xyz, np.where(np.isnan(xyz), np.nan, 0.0), "right"))
    unsure = Events(tuple(Event("contact", 1.6, 0.1) if e.name == "contact" else e for e in EVENTS.events))
    height = measure(motion, unsure, "right", Athlete(), []).measures.of("contact_height")
    assert height.value is None
    assert "event times" in height.reason


def test_the_ball_moves_with_the_cameras_and_only_once():
    """A flight that answers to the cameras by 1 m a unit in z: release height gets exactly their errors."""
    by_cameras = np.zeros((13, 18))
    by_cameras[2, 0] = 1.0
    ball = replace(tossed("right"), by_cameras=by_cameras)
    errors = np.zeros((40, 18))
    errors[:, 0] = np.linspace(-0.02, 0.02, 40)
    body = posed("right")
    still_points = np.zeros((40, *body.xyz_m.shape))
    source = Displacements("calibration", still_points, errors)
    found = measure(as_motion(body), EVENTS, "right", Athlete(), [source], ball=ball).measures.of(
        "release_height"
    )
    assert found.sources["calibration"] == pytest.approx(errors[:, 0].std(ddof=1))
    assert found.u_systematic == pytest.approx(found.sources["calibration"])
    assert found.u_random == pytest.approx(0.0, abs=1e-9)


def test_what_smoothing_and_posture_leave_is_part_of_u():
    """A still body: nothing else moves a knee's speed (0) or the back foot's step (0) but what is stated."""
    measures = measure(as_motion(posed("right")), EVENTS, "right", Athlete(height_m=1.8), []).measures
    step = measures.of("back_foot_step")
    assert step.sources["posture"] == DEFINITIONS["back_foot_step"].posture_u > 0
    assert step.u == pytest.approx(step.sources["posture"]) and step.low95 == 0.0
    ratio = measures.of("contact_height_ratio")
    assert ratio.sources["standing height"] == pytest.approx(2.1 / 1.8 * 0.005 / 1.8, rel=0.25)
    assert DEFINITIONS["front_knee_extension_speed"].smoothed > 0


def test_a_tip_that_stays_far_away_crossed_by_nothing():
    """0.3 m from the plane, and moved by a centimetre: no draw crosses, and zero is zero."""
    body = posed("right")
    shift = np.linspace(-0.01, 0.01, 30)[:, None, None, None] * np.array([1.0, 0, 0])
    moved = np.zeros((30, *body.xyz_m.shape))
    moved[:, :, [KEYPOINTS.index("racket_tip")]] = shift
    measures = measure(as_motion(body), EVENTS, "right", Athlete(), [Displacements("pixels", moved)]).measures
    depth, distance = measures.of("spine_plane_depth"), measures.of("spine_plane_min")
    assert (depth.value, depth.u, depth.low95, depth.high95) == (0.0, 0.0, 0.0, 0.0)
    assert distance.u == pytest.approx(0.00595, rel=0.05)


def shifted(body: Body, by_m: np.ndarray, *names: str) -> np.ndarray:
    """(K, T, P, 3) draws that move some points, or all, by (K,) metres along x."""
    moved = np.zeros((len(by_m), *body.xyz_m.shape))
    chosen = [KEYPOINTS.index(n) for n in names] or list(range(len(KEYPOINTS)))
    moved[:, :, chosen, 0] = by_m[:, None, None]
    return moved


def test_a_shift_counts_with_the_spread():
    """A tip on the plane itself: half of all draws cross, by their own size, so depth shifts as it spreads."""
    body = posed("right", racket_tip=(0.0, -0.3, 2.0))
    by = np.linspace(-0.01, 0.01, 81)
    measures = measure(
        as_motion(body), EVENTS, "right", Athlete(), [Displacements("pixels", shifted(body, by, "racket_tip"))]
    ).measures
    crossed = np.maximum(0.0, -by)
    expected = np.sqrt(crossed.var(ddof=1) + crossed.mean() ** 2)
    assert measures.of("spine_plane_depth").u == pytest.approx(expected)


def test_speeds_move_with_the_places():
    """Draws in which the tip's place runs away by k metres a second change its speed by k."""
    pace = np.linspace(0.1, 0.3, 30)
    body = posed("right")
    moved = np.zeros((30, *body.xyz_m.shape))
    moved[:, :, KEYPOINTS.index("racket_tip"), 0] = pace[:, None] * T
    measures = measure(as_motion(body), EVENTS, "right", Athlete(), [Displacements("pixels", moved)]).measures
    expected = np.sqrt(pace.var(ddof=1) + pace.mean() ** 2)
    assert measures.of("tip_speed_contact").sources["pixels"] == pytest.approx(expected, rel=1e-6)


def test_events_found_anew_carry_the_noise_into_measures_and_their_own_u():
    """Trophy comes 10 ms later for each millimetre that a draw moves everything, and the hip goes 1 m/s."""
    paths = {name: np.array(place) + np.outer(T, [0, 1.0, 0]) for name, place in RIGHT_HANDER.items()}
    body = moving("right", **paths)
    by = np.linspace(-0.004, 0.004, 41)

    def detect(moved: Body, _: object) -> Events:
        late = 10.0 * float(moved.xyz_m[0, KEYPOINTS.index("nose"), 0])
        return Events(tuple(replace(e, t_s=e.t_s + late) if e.name == "trophy" else e for e in EVENTS.events))

    found = measure(
        as_motion(body), EVENTS, "right", Athlete(), [Displacements("pixels", shifted(body, by))], detect=detect
    )
    spread = 10.0 * np.sqrt(np.mean(by**2))
    trophy = EVENTS.of("trophy")
    assert found.events.of("trophy").u_s == pytest.approx(np.hypot(trophy.u_s, spread))
    assert found.events.of("contact").u_s == pytest.approx(EVENTS.of("contact").u_s)
    hip = found.measures.of("hip_past_baseline_trophy")
    assert hip.sources["pixels"] == pytest.approx(10.0 * by.std(ddof=1), rel=1e-3)
    assert hip.sources["event times"] == pytest.approx(trophy.u_s, rel=0.3)
