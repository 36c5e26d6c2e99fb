"""load(save(x)) is x, for every record, whatever is absent."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calibration import BadInput
from recon import store
from recon.records import (
    EVENT_NAMES,
    BallFlight,
    CameraTracks,
    Clock,
    Clocks,
    Event,
    Events,
    Measure,
    MeasureSet,
    Motion,
    Points3D,
    PointStatus,
    RacketPose,
    Tracks2D,
)

NAMES = ("left_hip", "racket_tip", "ball")
COMMON = settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
seeds = st.integers(0, 2**32 - 1)
counts = st.integers(2, 9)


def same(a: np.ndarray, b: np.ndarray) -> None:
    np.testing.assert_array_equal(a, b)


@COMMON
@given(seed=seeds, count=counts)
def test_tracks(tmp_path: Path, seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    cameras = []
    for name, extra in (("left cam", 0), ("side", 3)):
        uv = rng.normal(500, 300, (count + extra, 3, 2))
        hidden = rng.random(uv.shape[:2]) < 0.3
        uv[hidden] = np.nan
        sigma = np.where(hidden, np.nan, rng.uniform(0.1, 5, hidden.shape))
        cameras.append(
            CameraTracks(name, (1280, 720), np.cumsum(rng.uniform(0.001, 0.1, count + extra)), uv, sigma)
        )
    tracks = Tracks2D(NAMES, tuple(cameras), "made up")
    store.save_tracks(tmp_path / "t.nc", tracks)
    back = store.load_tracks(tmp_path / "t.nc")
    assert (back.keypoints, back.source) == (tracks.keypoints, tracks.source)
    for a, b in zip(tracks.cameras, back.cameras, strict=True):
        assert (a.camera, a.size_px) == (b.camera, b.size_px)
        same(a.t_cam_s, b.t_cam_s)
        same(a.uv_px, b.uv_px)
        same(a.sigma_px, b.sigma_px)


def points_of(rng: np.random.Generator, count: int, codes: list[PointStatus], present: set[PointStatus]):
    status = rng.choice(np.array(codes, dtype=np.int8), (count, 3))
    here = np.isin(status, list(present))
    xyz = np.where(here[..., None], rng.normal(size=(count, 3, 3)), np.nan)
    cov = np.where(here[..., None, None], rng.normal(size=(count, 3, 3, 3)), np.nan)
    return np.cumsum(rng.uniform(0.001, 0.1, count)), xyz, cov, status


@COMMON
@given(seed=seeds, count=counts)
def test_points_and_motion(tmp_path: Path, seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    t, xyz, cov, status = points_of(rng, count, [PointStatus.OK, PointStatus.OUTLIER], {PointStatus.OK})
    points = Points3D("court", NAMES, ("a", "b"), t, xyz, cov, status, rng.random((count, 3, 2)) < 0.5)
    store.save_points(tmp_path / "p.nc", points)
    back = store.load_points(tmp_path / "p.nc")
    assert (back.frame, back.keypoints, back.cameras) == (points.frame, points.keypoints, points.cameras)
    for field in ("t_s", "xyz_m", "cov_m2", "status", "views"):
        same(getattr(points, field), getattr(back, field))

    codes = [PointStatus.OK, PointStatus.BRIDGED, PointStatus.TOO_FEW_VIEWS]
    t, xyz, cov, status = points_of(rng, count, codes, {PointStatus.OK, PointStatus.BRIDGED})
    motion = Motion("court", NAMES, t, xyz, xyz * 2, cov, status)
    store.save_motion(tmp_path / "m.nc", motion)
    again = store.load_motion(tmp_path / "m.nc")
    for field in ("t_s", "xyz_m", "velocity_m_s", "cov_m2", "status"):
        same(getattr(motion, field), getattr(again, field))


number = st.floats(-1e6, 1e6)


@COMMON
@given(
    offset=number,
    u=st.floats(0, 1),
    times=st.lists(st.none() | number, min_size=len(EVENT_NAMES), max_size=len(EVENT_NAMES)),
    g=number,
)
def test_text_records(tmp_path: Path, offset: float, u: float, times: list[float | None], g: float) -> None:
    both = (Clock("ä", 0.0, 0.0), Clock("b", offset, u, drift=1e-5, readout_s=0.004, first_side="left", at_s=g))
    clocks = Clocks("ä", both, tuple(map(tuple, Clocks("ä", both).covariance().tolist())))
    store.save_clocks(tmp_path / "c.json", clocks)
    assert store.load_clocks(tmp_path / "c.json") == clocks
    events = Events(
        tuple(
            Event(n, t, u) if t is not None else Event(n, None, None, "why “not”")
            for n, t in zip(EVENT_NAMES, times, strict=True)
        )
    )
    store.save_events(tmp_path / "e.json", events)
    assert store.load_events(tmp_path / "e.json") == events
    measures = MeasureSet(
        (
            Measure("a", "A", "m", offset, u, offset - u, offset + u, {"pixels": u}, None, "note"),
            Measure("b", "B", "rad", None, reason="unseen"),
        )
    )
    store.save_measures(tmp_path / "m.json", measures)
    assert store.load_measures(tmp_path / "m.json") == measures
    flight = BallFlight(0.0, 1.0, [g, 0, 1], [0, g, 2], g, u, u)
    store.save_flight(tmp_path / "f.json", flight)
    back = store.load_flight(tmp_path / "f.json")
    assert back is not None
    same(back.position_m, flight.position_m)
    assert back.gravity_m_s2 == g
    whole = replace(
        flight, drag_per_m=u, release_s=0.1, contact_s=0.9, struck_velocity_m_s=np.array([g, 40, -3]),
        struck_sightings=4, by_pixels=u * np.eye(13), by_cameras=np.full((13, 36), g),
    )  # fmt: skip
    store.save_flight(tmp_path / "whole.json", whole)
    again = store.load_flight(tmp_path / "whole.json")
    assert again is not None
    same(again.parameters(), whole.parameters())
    same(again.response("pixels"), whole.by_pixels)
    same(again.response("calibration"), whole.by_cameras)
    assert again.response("clocks") is None
    store.save_flight(tmp_path / "none.json", None, "no ball")
    assert store.load_flight(tmp_path / "none.json") is None


def test_a_racket_is_read_back_as_it_was_and_none_as_none(tmp_path: Path) -> None:
    t, absent = np.arange(3.0), np.array([False, True, False])
    way = np.where(absent[:, None], np.nan, [[0.0, 0.6, 0.8]])
    normal = np.array([[1.0, 0, 0], [np.nan] * 3, [np.nan] * 3])
    codes = [PointStatus.OK, PointStatus.TOO_FEW_VIEWS, PointStatus.INFERRED]
    cov = np.where(absent[:, None, None], np.nan, np.eye(6))
    racket = RacketPose("court", t, 2 * way, way, cov, normal, normal[:, 0], np.array(codes))
    store.save_racket(tmp_path / "r.nc", racket)
    back = store.load_racket(tmp_path / "r.nc")
    assert back is not None
    for name in ("t_s", "butt_m", "direction", "covariance", "normal", "u_roll_rad", "status"):
        same(getattr(back, name), getattr(racket, name))
    store.save_racket(tmp_path / "none.nc", None)
    assert store.load_racket(tmp_path / "none.nc") is None
    with pytest.raises(BadInput, match="length one"):
        RacketPose("court", t, 2 * way, 2 * way, cov, normal, normal[:, 0], np.array(codes))
    with pytest.raises(BadInput, match="absent exactly where"):
        RacketPose("court", t, 2 * way, way, cov, normal, normal[:, 0], np.zeros(3))


def test_missing_broken_and_foreign_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="courtplumb measure"):
        store.load_clocks(tmp_path / "clocks.json")
    (tmp_path / "clocks.json").write_text("{broken")
    with pytest.raises(BadInput, match=r"clocks\.json"):
        store.load_clocks(tmp_path / "clocks.json")
    store.save_events(tmp_path / "events.json", Events(()))
    with pytest.raises(BadInput, match="courtplumb clocks"):
        store.load_clocks(tmp_path / "events.json")
    (tmp_path / "motion.nc").write_bytes(b"not a netCDF file")
    with pytest.raises(BadInput, match=r"motion\.nc"):
        store.load_motion(tmp_path / "motion.nc")


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "kept.json"
    store.write_json(path, {"kept": True})

    def breaks(part: Path) -> None:
        part.write_text("half")
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError):
        store.write_whole(path, breaks)
    assert "kept" in path.read_text()
    assert [p.name for p in tmp_path.iterdir()] == ["kept.json"]
