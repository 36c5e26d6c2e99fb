"""What has the colour of the racket's tape and is not held: patches on clothes are found out, rackets stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recon.motion import without_unheld
from recon.pipeline.joint_centres import fit_body
from recon.records import KEYPOINTS, Motion, PointStatus, Tracks2D
from tests.unit.recon.test_between import CAMERAS, CLOCKS, seen, swung


def as_seen(motion: Motion, *changed: tuple[str, np.ndarray]) -> Motion:
    """The motion with some points elsewhere."""
    xyz = motion.xyz_m.copy()
    for name, path in changed:
        xyz[:, KEYPOINTS.index(name)] = path
    return replace(motion, xyz_m=xyz)


def carried(motion: Motion, by_m: np.ndarray) -> Motion:
    """The same with both wrists and the racket moved along (T, 3)."""
    names = [n for n in KEYPOINTS if n.startswith("racket") or n.endswith("wrist")]
    return as_seen(motion, *((n, motion.path(n) + by_m) for n in names))


def on_the_skirt(motion: Motion) -> np.ndarray:
    return np.asarray(motion.path("right_hip") + [0.05, 0.1, -0.1])


def on_the_cap(motion: Motion) -> np.ndarray:
    return np.asarray(motion.path("nose") + [0.0, -0.1, 0.1])


def points_left(tracks: Tracks2D) -> set[str]:
    sound = np.any([~np.isnan(c.sigma_px).all(axis=0) for c in tracks.cameras], axis=0)
    return {name for name, seen_once in zip(tracks.keypoints, sound, strict=True) if seen_once}


def test_a_held_racket_is_left_alone():
    motion, tracks = swung()
    same, told = without_unheld(tracks, motion)
    assert told == () and points_left(same) == points_left(tracks)


@pytest.mark.parametrize("point", ["racket_tip", "racket_throat", "racket_butt"])
def test_a_patch_on_the_clothes_is_left_out_and_the_rest_of_the_racket_kept(point):
    motion, tracks = swung()
    swing = np.outer(np.linspace(-0.6, 0.6, len(motion.t_s)), [1, 0, 0])
    found = as_seen(carried(motion, swing), (point, on_the_skirt(motion)))
    cleaned, (told,) = without_unheld(tracks, found)
    assert told.point == point
    assert points_left(cleaned) == points_left(tracks) - {point}
    assert point.replace("_", " ") in told.sentence() and "left out" in told.sentence()


def test_a_racket_in_the_hand_that_the_session_does_not_name_is_held():
    motion, tracks = swung()
    shift = motion.path("left_wrist") - motion.path("right_wrist")
    other = as_seen(motion, *((n, motion.path(n) + shift) for n in KEYPOINTS if n.startswith("racket")))
    assert without_unheld(tracks, other)[1] == ()


def test_a_tip_that_is_nearer_to_the_wrist_than_any_racket_is_long_is_none():
    motion, tracks = swung()
    near = motion.path("right_wrist") + 0.3 * (motion.path("racket_tip") - motion.path("right_wrist"))
    found = as_seen(motion, ("racket_tip", near), ("left_wrist", motion.path("left_wrist") + [0, 3.0, 0]))
    assert [u.point for u in without_unheld(tracks, found)[1]] == ["racket_tip"]


def test_a_tip_that_comes_and_goes_within_a_rackets_length_is_none():
    """0.3 to 0.7 m from the wrist: a bending wrist changes a racket's 0.6 m by a tenth or two."""
    motion, tracks = swung()
    way = (motion.path("racket_tip") - motion.path("right_wrist")) / 0.68
    wandering = motion.path("right_wrist") + np.linspace(0.3, 0.7, len(motion.t_s))[:, None] * way
    found = as_seen(motion, ("racket_tip", wandering), ("left_wrist", motion.path("left_wrist") + [0, 3.0, 0]))
    assert [u.point for u in without_unheld(tracks, found)[1]] == ["racket_tip"]


@pytest.mark.parametrize(("together", "left_out"), [(19, ()), (20, ("racket_tip",))])
def test_few_instants_tell_nothing(together: int, left_out: tuple[str, ...]):
    motion, tracks = swung()
    motion = as_seen(motion, ("racket_tip", motion.path("racket_tip") + [0, 0, 5.0]))
    status = motion.status.copy()
    status[together:, KEYPOINTS.index("racket_tip")] = PointStatus.TOO_FEW_VIEWS
    xyz = np.where((status == PointStatus.OK)[..., None], motion.xyz_m, np.nan)
    cov = np.where((status == PointStatus.OK)[..., None, None], motion.cov_m2, np.nan)
    rarely = replace(motion, status=status, xyz_m=xyz, velocity_m_s=0 * xyz, cov_m2=cov)
    assert tuple(u.point for u in without_unheld(tracks, rarely)[1]) == left_out


def test_the_motion_rests_on_the_pixels_without_it():
    """All cameras agree on a throat on the cap; butt and tip come out as if none had been seen."""
    motion, _ = swung()
    astray = as_seen(motion, ("racket_throat", on_the_cap(motion)))
    found = fit_body(CAMERAS, seen(astray), CLOCKS)
    assert [u.point for u in found.unheld] == ["racket_throat"]
    assert "racket_throat" not in points_left(found.tracks)
    assert np.isnan(found.motion.path("racket_throat")).all()
    for name in ("racket_butt", "racket_tip"):
        assert np.nanmax(np.linalg.norm(found.motion.path(name) - motion.path(name), axis=1)) < 0.1
