"""Do the 95 % intervals hold the truth? An invented serve, seen through errors drawn from the stated model.

Pixels, cameras, clocks, joint offsets and event times are all wrong in every world, each by a draw from what
the program is told about it; the reconstruction runs as always, and its intervals are judged by the truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import binom

from calibration import Camera, Rigid
from calibration.geometry.camera import N_LENS
from recon.body import Body
from recon.instants import points_at_instants
from recon.measures import MEASURES, Athlete, Serve, measure
from recon.motion import fit_motion, hold_lengths, hold_racket
from recon.records import (
    EVENT_NAMES,
    KEYPOINTS,
    CameraTracks,
    Clock,
    Clocks,
    Event,
    Events,
    Tracks2D,
    usual_noise,
)
from recon.uncertainty import JOINT_OFFSET_M, ErrorModel, displacements
from tests.support.example_motion import EVENT_TIMES_S, invented_motion
from tests.support.noise import unit_noise
from tests.support.world import three_cameras

WORLDS = 12
SIGMA_PX, U_CLOCK_S, U_EVENT_S = 1.5, 0.0003, 0.008
U_TURN_RAD, U_PLACE_M = 0.0004, 0.003
EVERY = 2  # 60 frames a second: half the work, and the model does not depend on it


@dataclass(frozen=True)
class Outcome:
    """Per measure of one world: (measured − true) / u, and whether the interval held the truth."""

    name: str
    z: float
    held: bool


def misplaced(camera: Camera, rng: np.random.Generator) -> Camera:
    pose = camera.cam_from_world
    turn = Rotation.from_rotvec(rng.normal(0, U_TURN_RAD, 3)).as_matrix()
    return camera.placed(Rigid(turn @ pose.R, pose.t_m + rng.normal(0, U_PLACE_M, 3), pose.dst, pose.src))


def seen(cameras: tuple[Camera, ...], rng: np.random.Generator) -> tuple[Tracks2D, Clocks]:
    """Pixels of the true motion moved by joint offsets and by noise of its usual shape; clocks to U_CLOCK_S."""
    t, xyz, _, _ = invented_motion("right")
    t, xyz = t[::EVERY], xyz[::EVERY]
    spread = np.array(
        [0.0 if n.startswith(("racket", "ball")) else JOINT_OFFSET_M[n.split("_")[-1]] for n in KEYPOINTS]
    )
    detected = xyz + rng.normal(size=(len(KEYPOINTS), 3)) * spread[:, None] / np.sqrt(3)
    shapes = tuple(usual_noise(name) for name in KEYPOINTS)
    tracks, clocks = [], []
    for k, camera in enumerate(cameras):
        uv = camera.project(detected) + SIGMA_PX * unit_noise(t, shapes, rng)
        tracks.append(CameraTracks(camera.name, camera.size_px, t, uv, np.full(uv.shape[:2], SIGMA_PX)))
        error = 0.0 if k == 0 else float(rng.normal(0, U_CLOCK_S))
        clocks.append(Clock(camera.name, error, 0.0 if k == 0 else U_CLOCK_S))
    return Tracks2D(KEYPOINTS, tuple(tracks), "invented"), Clocks(cameras[0].name, tuple(clocks))


def events_of(rng: np.random.Generator | None) -> Events:
    def one(name: str) -> Event:
        if name not in EVENT_TIMES_S:
            return Event(name, None, None, "not in the script")
        error = 0.0 if rng is None else float(rng.normal(0, U_EVENT_S))
        return Event(name, EVENT_TIMES_S[name] + error, U_EVENT_S)

    return Events(tuple(one(name) for name in EVENT_NAMES))


def outcomes(rng: np.random.Generator) -> list[Outcome]:
    cameras = three_cameras()
    tracks, clocks = seen(cameras, rng)
    assumed = tuple(misplaced(camera, rng) for camera in cameras)
    covariance = np.diag(np.tile([0.0] * N_LENS + [U_TURN_RAD**2] * 3 + [U_PLACE_M**2] * 3, len(cameras)))
    points = points_at_instants(assumed, tracks, clocks)
    motion, support = fit_motion(assumed, tracks, clocks, points)
    held = hold_lengths(motion, support.covariance(), support.draws(40, 1))
    held = hold_racket(held, support).held
    motion, model = held.motion, ErrorModel(draws=40)
    draws = displacements(motion, assumed, covariance, support.sigma_px, held.draws_m, clocks, model)
    athlete = Athlete(height_m=1.80)
    measured = measure(motion, events_of(rng), "right", athlete, draws).measures

    t, xyz, _, _ = invented_motion("right")
    body, true_events = Body(t, KEYPOINTS, xyz, np.gradient(xyz, t, axis=0), "right"), events_of(None)
    found = []
    for m in measured.measures:
        true = MEASURES[m.name].compute(Serve(body, true_events, athlete)).value
        if m.value is not None and m.u and true is not None:
            found.append(Outcome(m.name, (m.value - true) / m.u, m.low95 <= true <= m.high95))
    return found


@pytest.fixture(scope="module")
def all_outcomes() -> list[Outcome]:
    return [o for k in range(WORLDS) for o in outcomes(np.random.default_rng([2026, k]))]


def test_intervals_hold_the_truth(all_outcomes):
    """As often as 95 % would by chance in all but one run of a hundred, by a binomial test.

    Rows of one world hang together, so that the rows count as a third of their number.
    """
    held = [o.held for o in all_outcomes]
    effective = len(held) // 3
    assert len(held) > 15 * WORLDS
    assert np.mean(held) * effective >= binom.ppf(0.01, effective, 0.95)


def test_intervals_are_not_far_too_wide(all_outcomes):
    """An interval that always holds because it is huge tells nothing: z would then stay far below one."""
    z = np.array([o.z for o in all_outcomes])
    assert 0.8 < np.sqrt(np.mean(np.minimum(z**2, 9))) < 1.2
