"""Drift and readout as unknowns of the motion: found where it tells them, else left as known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.motion_world import Order, record
from calibration.checks import Array
from calibration.errors import BadInput
from recon.assets import body_wheel
from recon.instants import points_at_instants
from recon.records import ASSUMED, NOT_TOLD, WHITE, Clock, Clocks, Shutter, Tracks2D
from recon.sync import refine_clocks, shutter_not_told, with_shutters
from tests.support.clocked import seen_on
from tests.support.world import three_cameras

CAMERAS = three_cameras()
NAMES = ("racket_tip", "right_wrist", "left_wrist", "nose", "left_knee", "right_knee")
FPS = 120.0
U_DRIFT = 50e-6


def strokes(seed: int, length_s: float):
    """A motion of some quick strokes a second, all along: (T,) -> (T, P, 3)."""
    rng = np.random.default_rng([seed, 5])
    count = int(2 * length_s)
    when = rng.uniform(-0.5, length_s + 0.5, (len(NAMES), count))
    width = rng.uniform(0.08, 0.2, when.shape)
    reach = rng.normal(0, 0.35, (*when.shape, 3))
    base = rng.uniform([-0.4, -0.4, 0.3], [0.4, 0.2, 2.2], (len(NAMES), 3))

    def at(t_s: Array) -> Array:
        bump = np.exp(-0.5 * ((t_s[:, None, None] - when) / width) ** 2)
        return base + np.einsum("tpk,pkd->tpd", bump, reach)

    return at


def truth(rng: np.random.Generator, length_s: float, readouts_s: Array) -> Clocks:
    clocks = []
    for k, camera in enumerate(CAMERAS):
        off, drift = (0.0, 0.0) if k == 0 else (rng.uniform(-0.1, 0.1), rng.normal(0, U_DRIFT))
        clocks.append(Clock(camera.name, off, 0.0, drift, readout_s=readouts_s[k], at_s=length_s / 2))
    return Clocks(CAMERAS[0].name, tuple(clocks))


def start_of(true: Clocks, shutters: dict[str, Shutter]) -> Clocks:
    """What the search over all offsets leaves: a millisecond, nothing of drift and readout."""
    clocks = [
        replace(
            c, offset_s=c.offset_s + 0.001 * (k > 0), u_s=0.001 * (k > 0), drift=0.0, u_drift=U_DRIFT * (k > 0)
        )
        for k, c in enumerate(true.clocks)
    ]
    return with_shutters(Clocks(true.reference, tuple(clocks)), shutters)


def refined(seed: int, length_s: float, readouts_s: Array, shutters: dict[str, Shutter], sigma_px: float = 1.0):
    rng = np.random.default_rng([seed, 9])
    true = truth(rng, length_s, readouts_s)
    tracks = seen_on(
        CAMERAS, true, strokes(seed, length_s), NAMES, length_s=length_s, fps=FPS, sigma_px=sigma_px, rng=rng
    )
    start = start_of(true, shutters)
    return true, refine_clocks(CAMERAS, tracks, start, points_at_instants(CAMERAS, tracks, start))


UNTOLD = {c.name: shutter_not_told(1 / FPS) for c in CAMERAS}


def constants(clocks: Clocks) -> Array:
    return np.array([(c.offset_s, c.drift, c.readout_s) for c in clocks.clocks]).ravel()


def test_all_that_is_unknown_errs_as_it_says() -> None:
    """Offsets, drifts and readouts drawn from what is taken as known; their joint squared error in sigmas."""
    squared = []
    for seed in range(6):
        readouts = np.random.default_rng([seed, 3]).uniform(0, 1 / FPS, 3)
        true, found = refined(seed, 3.0, readouts, UNTOLD)
        error, covariance = constants(found) - constants(true), found.covariance()
        free = np.flatnonzero(np.diag(covariance) > 0)
        squared.append(error[free] @ np.linalg.solve(covariance[np.ix_(free, free)], error[free]) / len(free))
        assert len(free) == 7
    assert 0.45 < np.mean(squared) < 1.7  # 42 values; chi-square over its freedom


def test_a_serve_tells_no_drift_and_a_long_clip_does() -> None:
    told = {c.name: Shutter(0.004, 0.0) for c in CAMERAS}
    for length_s, tells in ((2.0, False), (16.0, True)):
        true, found = refined(1, length_s, np.full(3, 0.004), told)
        clock = found.of("side")
        assert (clock.drift_source == "motion") == tells
        assert abs(clock.drift - true.of("side").drift) < 3.5 * clock.u_drift
        assert clock.u_drift < 15e-6 if tells else clock.u_drift > 0.5 * U_DRIFT
        assert tells or clock.drift_source == ASSUMED


def test_one_unknown_readout_among_known_ones_is_found() -> None:
    shutters = {c.name: Shutter(0.004, 0.0001) for c in CAMERAS} | {"side": shutter_not_told(1 / FPS)}
    _, found = refined(2, 3.0, np.array([0.004, 0.004, 0.0075]), shutters, sigma_px=0.4)
    clock = found.of("side")
    assert clock.shutter_source == "motion"
    assert abs(clock.readout_s - 0.0075) < 3.5 * clock.u_readout_s
    assert found.of("rear_left").shutter_source == "told"
    joint = found.covariance()[3:, 3:]  # the two cameras beside the reference
    sd = np.sqrt(np.diag(joint))
    assert np.abs(joint / np.outer(sd, sd) - np.eye(6))[[0, 3]].max() > 0.1  # offsets hang together with others


def test_what_all_shutters_share_is_not_claimed_from_smoothness() -> None:
    """All cameras upright and alike: an error that all readouts share sets no view against another.

    Taken from how smooth a motion it makes, the variance of their mean would fall to 0.78 of what was known.
    """
    try:
        body_wheel()
    except BadInput as error:
        pytest.skip(str(error))
    serve = record(Order(rig="2 cameras", fps=FPS, readout_s=0.008, sigma_px=1.0), 0)
    few = ("racket_tip", "racket_throat", "right_wrist", "left_wrist", "nose")
    keep = [serve.tracks.index(name) for name in few]
    seen = tuple(replace(c, uv_px=c.uv_px[:, keep], sigma_px=c.sigma_px[:, keep]) for c in serve.tracks.cameras)
    tracks = Tracks2D(few, seen, "invented", (WHITE,) * len(few))
    clocks = Clocks("c0", (Clock("c0", 0.0, 0.0), Clock("c1", 0.0, 0.001)))
    start = with_shutters(clocks, {c.camera: shutter_not_told(1 / FPS) for c in seen})
    found = refine_clocks(serve.cameras, tracks, start, points_at_instants(serve.cameras, tracks, start))
    common, before = (c.covariance()[2::3, 2::3].mean() for c in (found, start))
    assert common > 0.85 * before
    assert {c.shutter_source for c in found.clocks} == {NOT_TOLD}


def test_a_marker_that_is_sure_of_a_wrong_answer_is_outvoted() -> None:
    """One camera takes something else for the tip: where the tip was 12 ms ago, and as surely as ever."""
    rng = np.random.default_rng(8)
    true = truth(rng, 3.0, np.zeros(3))
    film = {"length_s": 3.0, "fps": FPS, "sigma_px": 1.0, "rng": rng}
    tracks = seen_on(CAMERAS, true, strokes(8, 3.0), NAMES, **film)
    late = replace(true, clocks=tuple(replace(c, offset_s=c.offset_s - 0.012) for c in true.clocks))
    wrong = seen_on(CAMERAS, late, strokes(8, 3.0), NAMES, **film).of("side").uv_px[:, 0]
    side = tracks.of("side")
    uv = np.concatenate([wrong[:, None], side.uv_px[:, 1:]], axis=1)
    tracks = replace(tracks, cameras=(*tracks.cameras[:2], replace(side, uv_px=uv)))
    start = start_of(true, {})
    found = refine_clocks(CAMERAS, tracks, start, points_at_instants(CAMERAS, tracks, start)).of("side")
    assert abs(found.offset_s - true.of("side").offset_s) < min(3.5 * found.u_s, 6e-4)


def test_a_readout_is_never_negative_nor_longer_than_a_frame() -> None:
    for readout in (0.0, 1 / FPS):
        _, found = refined(4, 2.0, np.full(3, readout), UNTOLD, sigma_px=0.5)
        assert all(0 <= c.readout_s <= 1 / FPS + 1e-12 for c in found.clocks)


def test_a_joint_covariance_fits_its_clocks() -> None:
    clocks = (Clock("a", 0.0, 0.0), Clock("b", 0.5, 0.001))
    assert Clocks("a", clocks).covariance()[3, 3] == pytest.approx(1e-6)
    wrong = np.zeros((6, 6))
    with pytest.raises(BadInput, match="root of its variance"):
        Clocks("a", clocks, tuple(map(tuple, wrong.tolist())))


def test_untold_shutters_are_half_alike() -> None:
    clocks = Clocks("a", (Clock("a", 0.0, 0.0), Clock("b", 0.0, 0.001), Clock("c", 0.0, 0.001)))
    joint = with_shutters(
        clocks, {"a": shutter_not_told(0.01), "b": shutter_not_told(0.02), "c": Shutter(0.004, 0.001)}
    ).covariance()
    u = np.array([0.01, 0.02]) / np.sqrt(12)
    assert joint[2, 5] == pytest.approx(0.5 * u[0] * u[1])
    assert joint[2, 8] == joint[5, 8] == 0.0 and joint[8, 8] == pytest.approx(1e-6)
