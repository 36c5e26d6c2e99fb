"""The turn of the racket's face and both edges of its head, from pairs of patches that nobody told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from calibration.geometry import Camera
from recon.motion import EdgedRacket, RacketShape, add_edges, racket_pose, without_edges
from recon.motion.bordered import Bordered
from recon.records import EDGES, RACKET, WHITE, CameraTracks, Clock, Clocks, Motion, PointStatus, Tracks2D
from tests.support.racket_world import (
    BUTT_THROAT_M,
    CENTRE_M,
    HALF_M,
    LENGTH_M,
    THROAT_TIP_M,
    RigidSwing,
)  # fmt: skip
from tests.support.world import three_cameras

T = np.arange(0.6, 2.0, 1 / 120)
DRAWS, H_S = 40, 1e-4
CAMERAS = three_cameras()


@dataclass(frozen=True)
class Seen:
    """How the edges are filmed: noise, share of patches that are not there, share that are elsewhere."""

    sigma_px: float = 0.05
    lost: float = 0.0
    wrong: float = 0.0
    gone: tuple[int, int] = (0, 0)
    one_camera: bool = False


def motion_of(seed: int) -> Motion:
    """The racket's points, exact, at every instant."""
    made = RigidSwing(seed)
    x = made.points(T)
    v = (made.points(T + H_S) - made.points(T - H_S)) / (2 * H_S)
    cov = np.broadcast_to(1e-8 * np.eye(3), (*x.shape, 3))
    return Motion("court", RACKET, T, x, v, cov, np.full(x.shape[:2], PointStatus.OK), 1e-4 * cov)


def filmed(seed: int, seen: Seen) -> tuple[Tracks2D, Clocks]:
    """Pairs of patches in any order, cameras some milliseconds apart."""
    rng, made = np.random.default_rng([seed, 9]), RigidSwing(seed)
    cameras, clocks = [], []
    for k, camera in enumerate(CAMERAS):
        late = 0.003 * k
        uv = camera.project(made.edges(T + late)) + seen.sigma_px * rng.standard_normal((len(T), 2, 2))
        turned = rng.random(len(T)) < 0.5
        uv[turned] = uv[turned, ::-1]
        wrong = rng.random(uv.shape[:2]) < seen.wrong
        uv[wrong] += rng.normal(0, 80, (int(wrong.sum()), 2))
        lost = rng.random(uv.shape[:2]) < seen.lost
        lost[slice(*seen.gone)] = True
        if seen.one_camera and k > 0:
            lost[:] = True
        uv[lost] = np.nan
        sigma = np.where(lost, np.nan, max(seen.sigma_px, 0.05))
        cameras.append(CameraTracks(camera.name, camera.size_px, T, uv, sigma))
        clocks.append(Clock(camera.name, late, 0.0))
    return Tracks2D(EDGES, tuple(cameras), "invented"), Clocks(CAMERAS[0].name, tuple(clocks))


SHAPE = RacketShape(BUTT_THROAT_M, THROAT_TIP_M, 1e-8 * np.eye(2), np.zeros((DRAWS, 2)))


def solved(seed: int, seen: Seen, cameras: tuple[Camera, ...] = CAMERAS) -> EdgedRacket:
    tracks, clocks = filmed(seed, seen)
    found = add_edges(
        cameras, tracks, clocks, motion_of(seed), np.zeros((DRAWS, len(T), 3, 3)),
        np.ones((len(T), 3, len(CAMERAS))), SHAPE,
    )  # fmt: skip
    assert isinstance(found, EdgedRacket)
    return found


def errors_m(seed: int, found: EdgedRacket) -> np.ndarray:
    """(T, 2) distance of both edges from the truth, whichever is called the first."""
    true, got = RigidSwing(seed).edges(T), found.motion.xyz_m[:, -2:]
    apart = [np.linalg.norm(got - t, axis=2) for t in (true, true[:, ::-1])]
    return min(apart, key=lambda a: float(np.nanmean(a)))


@pytest.mark.parametrize("seed", range(4))
def test_exact_pairs_in_any_order_give_both_edges_and_the_face(seed: int) -> None:
    found = solved(seed, Seen())
    assert found.motion.keypoints[-2:] == EDGES
    assert errors_m(seed, found)[3:-3].max() < 0.003
    pose = racket_pose(found.motion, found.draws_m)
    assert pose is not None
    along = np.abs((pose.normal * RigidSwing(seed).normal(T)).sum(axis=1))
    assert along[3:-3].min() > np.cos(np.radians(1.0))
    np.testing.assert_allclose(pose.butt_m, RigidSwing(seed).points(T)[:, 2], atol=1e-12)
    np.testing.assert_allclose((pose.normal * pose.direction).sum(axis=1), 0.0, atol=1e-9)


def test_the_head_s_place_and_width_are_learned() -> None:
    got = solved(1, Seen(0.5)).motion.xyz_m[:, -2:]
    tip, _, butt = RigidSwing(1).points(T).swapaxes(0, 1)
    way = (tip - butt) / LENGTH_M
    centre = ((got.mean(axis=1) - butt) * way).sum(axis=1)
    assert np.abs(centre - CENTRE_M).max() < 0.003
    assert np.abs(np.linalg.norm(got[:, 0] - got[:, 1], axis=1) - 2 * HALF_M).max() < 0.004


def test_the_first_edge_is_on_the_right_of_the_face_that_hits() -> None:
    """Wherever the tip is fastest it goes the way the face looks; right is across that and the axis."""
    for seed in (2, 3, 7, 9):  # what is found at first faces forwards, and in the last two back
        motion = solved(seed, Seen()).motion
        velocity = motion.velocity_m_s[:, 0]
        k = int(np.linalg.norm(velocity, axis=1).argmax())
        tip, _, butt = motion.xyz_m[k, :3]
        right = np.cross(velocity[k], tip - butt)
        assert (motion.xyz_m[k, 3] - motion.xyz_m[k, 4]) @ right > 0


def test_wrong_patches_are_outvoted_and_lost_ones_cost_certainty() -> None:
    clean, poor = solved(2, Seen(1.0)), solved(2, Seen(1.0, lost=0.5, wrong=0.15))
    assert np.median(errors_m(2, poor)) < 0.01
    u = [np.median(np.trace(f.motion.cov_m2[:, 3], axis1=1, axis2=2)) for f in (clean, poor)]
    assert u[1] > 1.3 * u[0]


def test_hidden_edges_are_inferred_and_less_sure() -> None:
    found = solved(3, Seen(0.5, gone=(60, 66)))
    status = found.motion.status[:, 3]
    assert (status[61:65] == PointStatus.INFERRED).all()
    assert (status[:58] == PointStatus.OK).mean() > 0.9
    u = np.sqrt(np.trace(found.motion.cov_m2[:, 3], axis1=1, axis2=2))
    assert u[63] > 2 * np.median(u[:58])
    assert errors_m(3, found)[60:66, 0].max() < 4 * u[63]


def test_one_camera_is_enough_for_the_turn_but_no_measured_point() -> None:
    found = solved(0, Seen(0.3, one_camera=True))
    assert np.median(errors_m(0, found)) < 0.006
    assert (found.motion.status[:, 3:] != PointStatus.OK).all()


def test_too_little_is_said() -> None:
    tracks, clocks = filmed(0, Seen(lost=0.99))
    args = (clocks, motion_of(0), np.zeros((DRAWS, len(T), 3, 3)), np.ones((len(T), 3, 3)))
    said = add_edges(CAMERAS, tracks, *args, SHAPE)
    assert isinstance(said, str)
    assert "want 20" in said
    assert "places of their own" in str(add_edges(CAMERAS, tracks, *args, None))


def test_tracks_come_apart_where_they_hold_edges_and_stay_where_they_do_not() -> None:
    both = Tracks2D(
        ("nose", *EDGES),
        tuple(
            CameraTracks(c.name, c.size_px, T[:2], np.arange(12.0).reshape(2, 3, 2), np.ones((2, 3)))
            for c in CAMERAS
        ),
        "invented",
        (WHITE,) * 3,
    )
    rest, edged = without_edges(both)
    assert rest.keypoints == ("nose",)
    assert edged is both
    np.testing.assert_array_equal(rest.cameras[1].uv_px, both.cameras[1].uv_px[:, :1])
    assert without_edges(rest) == (rest, None)


def test_a_band_with_a_border_is_the_matrix_it_stands_for(rng: np.random.Generator) -> None:
    frames, m = 9, 40
    before, D = rng.integers(0, frames - 1, m), rng.standard_normal((m, 2, 4))
    weight = rng.uniform(0.5, 2.0, m)
    got = Bordered.smooth(frames, 0.7, 5.0, np.array([0.3, 0.2])).plus(before, D, weight)
    bends = np.diff(np.eye(frames), n=2, axis=0) / 0.7
    whole = np.zeros((frames + 2, frames + 2))
    whole[:frames, :frames] = bends.T @ bends + np.eye(frames) / 25
    whole[frames:, frames:] = np.diag([1 / 0.09, 1 / 0.04])
    for k, d, w in zip(before, D, weight, strict=True):
        row = np.zeros((2, frames + 2))
        row[:, [k, k + 1, frames, frames + 1]] = d
        whole += w * row.T @ row
    g = rng.standard_normal(frames + 2)
    np.testing.assert_allclose(got.times(g), whole @ g, atol=1e-9)
    np.testing.assert_allclose(got.solve(g), np.linalg.solve(whole, g), atol=1e-9)
    drawn, inverse = np.cov(got.draws(20_000, rng).T), np.linalg.inv(whole)
    sd = np.sqrt(np.diag(inverse))
    np.testing.assert_allclose((drawn - inverse) / np.outer(sd, sd), 0.0, atol=0.05)
