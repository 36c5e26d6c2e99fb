"""The smooth motion: better than single instants, never far worse, at the cameras' own times."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration import NotMeasurable
from recon.instants import points_at_instants
from recon.motion import fit_motion
from recon.records import KEYPOINTS, WHITE, CameraTracks, Clock, Clocks, PointStatus, Tracks2D
from recon.resample import common_times
from tests.support.world import InventedMotion, seen_by, three_cameras

CAMERAS = three_cameras()
OFFSETS = {"rear_left": 0.0, "rear_right": 0.0042, "side": -0.0031}
CLOCKS = Clocks("rear_left", tuple(Clock(name, o, 0.0001) for name, o in OFFSETS.items()))
SOME = ("left_wrist", "right_hip", "racket_tip")


def only(tracks: Tracks2D, keep: tuple[str, ...]) -> Tracks2D:
    columns = [tracks.keypoints.index(k) for k in keep]
    cameras = tuple(
        CameraTracks(c.camera, c.size_px, c.t_cam_s, c.uv_px[:, columns], c.sigma_px[:, columns])
        for c in tracks.cameras
    )
    return Tracks2D(keep, cameras, tracks.source, (WHITE,) * len(keep))


def reconstruct(tracks):
    points = points_at_instants(CAMERAS, tracks, CLOCKS)
    motion, support = fit_motion(CAMERAS, tracks, CLOCKS, points)
    return points, motion, support


def truth(motion):
    all_points = InventedMotion().at(motion.t_s)
    return all_points[:, [KEYPOINTS.index(k) for k in motion.keypoints]]


def rms(x):
    return float(np.sqrt(np.nanmean((x**2).sum(axis=-1))))


def test_smoothing_beats_single_instants(rng):
    tracks = only(seen_by(CAMERAS, InventedMotion(), offsets_s=OFFSETS, sigma_px=2.0, rng=rng), SOME)
    points, motion, _ = reconstruct(tracks)
    exact = truth(motion)
    assert rms(motion.xyz_m - exact) < 0.45 * rms(points.xyz_m - exact)


def test_only_points_that_changed_are_fitted_again(rng):
    """Whatever else `before` says stays as it is; what changed comes out as in a fit of everything."""
    tracks = only(seen_by(CAMERAS, InventedMotion(), offsets_s=OFFSETS, sigma_px=2.0, rng=rng), SOME)
    points, motion, support = reconstruct(tracks)
    side = tracks.of("side")
    sigma, uv = side.sigma_px.copy(), side.uv_px.copy()
    sigma[40:80, SOME.index("right_hip")] = uv[40:80, SOME.index("right_hip")] = np.nan
    views = (*tracks.cameras[:2], replace(side, sigma_px=sigma, uv_px=uv))
    less = replace(tracks, cameras=views)
    points, whole, whole_support = reconstruct(less)
    moved = replace(motion, xyz_m=motion.xyz_m + 1.0)
    again, again_support = fit_motion(
        CAMERAS, less, CLOCKS, points, before=(moved, support), changed={"right_hip"}
    )
    hip = SOME.index("right_hip")
    others = [k for k in range(len(SOME)) if k != hip]
    assert not np.array_equal(whole.xyz_m[:, hip], motion.xyz_m[:, hip])
    for name in ("xyz_m", "velocity_m_s", "cov_m2", "velocity_cov_m2_s2", "status"):
        got, wanted, old = (getattr(m, name) for m in (again, whole, moved))
        np.testing.assert_array_equal(got[:, hip], wanted[:, hip], err_msg=name)
        np.testing.assert_array_equal(got[:, others], old[:, others], err_msg=name)
    np.testing.assert_array_equal(again_support.sigma_px, whole_support.sigma_px)
    np.testing.assert_array_equal(again_support.draws(5, 1), whole_support.draws(5, 1))


def test_gross_errors_cost_little(rng):
    clean = only(seen_by(CAMERAS, InventedMotion(), offsets_s=OFFSETS, sigma_px=2.0, rng=rng), SOME)
    spoilt = only(
        seen_by(CAMERAS, InventedMotion(), offsets_s=OFFSETS, sigma_px=2.0, rng=rng, gross_share=0.03), SOME
    )
    error = [rms(m.xyz_m - truth(m)) for m in (reconstruct(clean)[1], reconstruct(spoilt)[1])]
    assert error[1] < 1.3 * error[0]


def test_a_lasting_error_of_one_view_does_not_throw_the_curve_away(rng):
    """Constant 4 px bias in one camera: a smoother without a guard has been seen to diverge by metres."""
    tracks = only(seen_by(CAMERAS, InventedMotion(), offsets_s=OFFSETS, sigma_px=1.0, rng=rng), SOME)
    c = tracks.cameras[1]
    biased = CameraTracks(c.camera, c.size_px, c.t_cam_s, c.uv_px + [4.0, -3.0], c.sigma_px)
    tracks = Tracks2D(
        tracks.keypoints, (tracks.cameras[0], biased, tracks.cameras[2]), "invented", tracks.noise
    )
    points, motion, _ = reconstruct(tracks)
    assert rms(motion.xyz_m - truth(motion)) < 1.1 * rms(points.xyz_m - truth(motion))


def spoilt(tracks: Tracks2D, camera: int, frames: slice, shift_px: tuple[float, float]) -> Tracks2D:
    """One camera's pixels moved in some frames."""
    c = tracks.cameras[camera]
    uv = c.uv_px.copy()
    uv[frames] += shift_px
    moved = CameraTracks(c.camera, c.size_px, c.t_cam_s, uv, c.sigma_px)
    cameras = tuple(moved if k == camera else other for k, other in enumerate(tracks.cameras))
    return Tracks2D(tracks.keypoints, cameras, tracks.source, tracks.noise)


@pytest.mark.parametrize(
    ("camera", "frames", "shift_px"),
    [
        (1, slice(0, 1), (80.0, -60.0)),
        (0, slice(-1, None), (-90.0, 70.0)),
        (2, slice(150, 162), (40.0, 40.0)),
        (1, slice(100, 101), (0.0, 300.0)),
    ],
)
def test_wrong_stretches_cost_next_to_nothing(rng, camera, frames, shift_px):
    """The first frame, the last, a burst of 0.1 s in one view, a single frame far off."""
    sound = only(seen_by(CAMERAS, InventedMotion(), offsets_s=OFFSETS, sigma_px=2.0, rng=rng), SOME)
    _, clean, _ = reconstruct(sound)
    _, motion, _ = reconstruct(spoilt(sound, camera, frames, shift_px))
    error = [rms(m.xyz_m - truth(m)) for m in (clean, motion)]
    assert error[1] < 1.1 * error[0]
    assert np.linalg.norm(motion.xyz_m - truth(motion), axis=2)[5:-5].max() < 0.05


def test_the_fast_tip_is_kept_where_the_cameras_agree(rng):
    """A racket that starts from rest is far from a curve as stiff as the rest asks for: it is the curve that is
    wrong then, not the pixels."""
    t = np.arange(240) / 240
    x = np.zeros((240, 1, 3)) + [0.0, 0.0, 1.5]
    x[:, 0, 1] += 0.5 * np.tanh((t - 0.6) / 0.012)  # 42 m/s
    seen = tuple(
        CameraTracks(c.name, c.size_px, t, c.project(x) + rng.normal(0, 1, (240, 1, 2)), np.ones((240, 1)))
        for c in CAMERAS
    )
    tracks = Tracks2D(("racket_tip",), seen, "invented")
    clocks = Clocks("rear_left", tuple(Clock(c.name, 0.0, 0.0) for c in CAMERAS))
    motion, support = fit_motion(CAMERAS, tracks, clocks, points_at_instants(CAMERAS, tracks, clocks))
    fast = slice(136, 153)
    assert (~np.isnan(support.sigma_px[fast, 0])).mean() > 0.95
    assert np.linalg.norm(motion.xyz_m[fast, 0] - x[fast, 0], axis=1).max() < 0.03


def test_a_gap_is_bridged_or_left_out_with_its_reason(rng):
    tracks = only(seen_by(CAMERAS, InventedMotion(), offsets_s=OFFSETS, sigma_px=0.5, rng=rng), SOME)
    cameras = []
    for c in tracks.cameras:
        uv, sigma = c.uv_px.copy(), c.sigma_px.copy()
        rig_t = c.t_cam_s + OFFSETS[c.camera]
        for low, high in ((1.00, 1.06), (2.0, 2.4)):
            hidden = (rig_t > low) & (rig_t < high)
            uv[hidden, 0], sigma[hidden, 0] = np.nan, np.nan
        cameras.append(CameraTracks(c.camera, c.size_px, c.t_cam_s, uv, sigma))
    _, motion, _ = reconstruct(Tracks2D(tracks.keypoints, tuple(cameras), "invented", tracks.noise))
    short, long = motion.nearest(1.03), motion.nearest(2.2)
    assert motion.status[short, 0] == PointStatus.BRIDGED
    assert np.linalg.norm(motion.xyz_m[short, 0] - truth(motion)[short, 0]) < 0.02
    assert motion.status[long, 0] == PointStatus.TOO_FEW_VIEWS
    assert np.isnan(motion.xyz_m[long, 0]).all()
    assert np.trace(motion.cov_m2[short, 0]) > 2 * np.trace(motion.cov_m2[motion.nearest(0.9), 0])


def test_clips_that_hardly_overlap_are_refused(rng):
    tracks = seen_by(CAMERAS[:2], InventedMotion(), offsets_s={"rear_left": 0.0, "rear_right": 2.8}, rng=rng)
    clocks = Clocks("rear_left", (Clock("rear_left", 0.0, 0.0), Clock("rear_right", 2.8, 0.0)))
    with pytest.raises(NotMeasurable, match="share"):
        common_times(tracks, clocks)
