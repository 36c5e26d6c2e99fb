"""Do the ball's 95 % intervals hold the truth? Tosses seen with pixels, air, cameras and clocks all wrong.

Each error is a draw from what the program is told of it; intervals are judged by the truth.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.stats import binom

from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_CAMERA, POSE
from recon.flight import BALL_KINDS, find_ball, fit_ball, sightings_of
from recon.records import BALL_PARAMETERS, BALL_SOURCES, Clocks
from tests.support.ball_worlds import Filming, InventedToss, filmed, quantities, true_quantities
from tests.support.world import three_cameras

WORLDS = 24
U_TURN_RAD, U_PLACE_M, U_CLOCK_S = 0.0004, 0.003, 0.0002
CAMERAS = three_cameras()
COVARIANCE = np.zeros((3 * N_CAMERA, 3 * N_CAMERA))
for _c in range(3):
    _at = np.arange(N_CAMERA)[POSE] + N_CAMERA * _c
    COVARIANCE[_at, _at] = np.repeat([U_TURN_RAD**2, U_PLACE_M**2], 3)


def misplaced(camera: Camera, rng: np.random.Generator) -> Camera:
    pose = camera.cam_from_world
    turn = Rotation.from_rotvec(rng.normal(0, U_TURN_RAD, 3)).as_matrix()
    return camera.placed(Rigid(turn @ pose.R, pose.t_m + rng.normal(0, U_PLACE_M, 3), pose.dst, pose.src))


def outcome(seed: int) -> np.ndarray:
    """(8,) whether each interval held the truth."""
    rng = np.random.default_rng([7, seed])
    k, u_k = BALL_KINDS["full"].drag_per_m
    toss = InventedToss(
        drag_per_m=k + rng.normal(0, u_k), gravity_m_s2=9.81 + rng.normal(0, 0.015),
        velocity_m_s=(rng.normal(0, 0.2), 0.3, rng.uniform(4.8, 5.8)), contact_s=1.5 + rng.uniform(0, 0.01),
    )  # fmt: skip
    tracks, clocks, _ = filmed(toss, CAMERAS, Filming(sigma_px=1.5, gross=0.02), rng)
    believed = Clocks(
        clocks.reference,
        tuple(
            replace(
                c, offset_s=c.offset_s + (rng.normal(0, U_CLOCK_S) if n else 0.0), u_s=U_CLOCK_S if n else 0.0
            )
            for n, c in enumerate(clocks.clocks)
        ),
    )
    cameras = tuple(misplaced(c, rng) for c in CAMERAS)
    flight = fit_ball(find_ball(sightings_of(cameras, tracks, believed)), believed, COVARIANCE).flight
    assert flight is not None
    true = true_quantities(toss)
    variance = np.zeros(len(true))
    for source in BALL_SOURCES:
        given = {"calibration": COVARIANCE, "clocks": believed.covariance()}.get(source)
        drawn = np.array([quantities(f) for f in flight.draws(source, 60, rng, given)])
        variance += drawn.var(axis=0)
    return np.abs(quantities(flight) - true) < 1.96 * np.sqrt(variance)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    assert BALL_PARAMETERS[9] == "contact_s"
    held = np.array([outcome(seed) for seed in range(WORLDS)])
    for each in held.T:
        assert binom.cdf(each.sum(), WORLDS, 0.95) > 0.002
    # the eight of one world hang together: judged as three independent ones
    assert 0.88 < held.mean() <= 1.0
