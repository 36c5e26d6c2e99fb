"""What the detector gets wrong in a posture: taken out of the pixels, mirrored from side to side, and no
farther than the study reaches.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import BadInput
from calibration.geometry import Camera, Rigid
from recon.detector_study import (
    PARTS,
    POSTURE,
    DetectorStudy,
    LeftError,
    ViewErrors,
    ViewStudy,
    load_study,
    mirrored,
)
from recon.joints import postures, sized_by_posture, without_view_errors
from recon.records import (
    BODY,
    KEYPOINTS,
    CameraTracks,
    Clock,
    Clocks,
    Motion,
    NoiseShape,
    PointStatus,
    Tracks2D,
)
from recon.segments import Points, body_scale_m
from tests.unit.recon.test_joint_centres import T, standing, study

SLOW = NoiseShape(white=0.1, slow=0.9, bias=0.0)
RIGHT_PX = 4.0
"""What the invented study says of every point: 4 px to the right of where it is, for one 200 px tall."""


def camera(name: str = "side", place_m: tuple[float, float, float] = (8.0, -1.0, 1.5)) -> Camera:
    K = np.array([[1000.0, 0, 640], [0, 1000.0, 360], [0, 0, 1]])
    pose = Rigid.aimed(name, place_m, (0.0, 0.0, 1.0))
    return Camera(name, (1280, 720), K, np.zeros(5), pose)


def seen_as(shown: np.ndarray, share: float = 0.5, larger: float = 1.0) -> DetectorStudy:
    """A study that knows one posture, and its mirror image: points err by 2 % of the height in it.

    larger: by what factor what is left of a right wrist's error is larger in it, and smaller of a left one's.
    """
    flat = np.concatenate([shown[:1], mirrored(shown[:1])]).reshape(2, -1)
    size = flat.shape[1]
    doubt = np.zeros((2, len(PARTS)))
    doubt[:, PARTS.index("wrist")] = np.log(larger), -np.log(larger)
    weights = np.tile([RIGHT_PX / 200, 0.0], (2, len(PARTS), 1))
    errors = ViewErrors(np.zeros(size), np.ones(size), flat, 0.1, weights, doubt)
    plain = study()
    left = dict.fromkeys(PARTS, LeftError(share=share, by_posture=1.2 * share, shape=SLOW))
    return replace(plain, views=ViewStudy(errors, left, plain.joints))


def projected(view: Camera, motion: Motion) -> CameraTracks:
    uv = view.project(motion.xyz_m.reshape(-1, 3)).reshape(len(T), len(KEYPOINTS), 2)
    return CameraTracks(view.name, (1280, 720), T, uv, np.full(uv.shape[:2], 3.0))


def setting() -> tuple[list[Camera], Tracks2D, Clocks, Motion, np.ndarray]:
    motion, views = standing(), [camera(), camera("rear", (0.5, -8.0, 1.5))]
    tracks = Tracks2D(KEYPOINTS, tuple(projected(v, motion) for v in views), "invented")
    clocks = Clocks("side", (Clock("side", 0.0, 0.0), Clock("rear", 0.0, 1e-5)))
    points = Points(motion.keypoints, motion.xyz_m)
    return views, tracks, clocks, motion, postures(views[0], points, body_scale_m(points))


def lacking(motion: Motion, frames: int | slice) -> Motion:
    """Without the left toe for some frames."""
    xyz, status, p = motion.xyz_m.copy(), motion.status.copy(), motion.keypoints.index("left_toe")
    xyz[frames, p], status[frames, p] = np.nan, PointStatus.TOO_FEW_VIEWS
    return replace(motion, xyz_m=xyz, status=status)


def test_a_posture_is_seen_the_same_wherever_in_the_picture_the_player_stands():
    """Turning a camera about its own centre moves the player in the picture and changes nothing of the view."""
    motion = standing()
    points = Points(motion.keypoints, motion.xyz_m)
    straight = camera()
    aside = Rigid.aimed("side", (8.0, -1.0, 1.5), (0.0, 2.0, 1.0))
    turned = replace(straight, cam_from_world=aside)
    about = [postures(c, points, 1.3)[0] for c in (straight, turned)]
    np.testing.assert_allclose(np.linalg.norm(about[0], axis=1), np.linalg.norm(about[1], axis=1))
    np.testing.assert_allclose(about[0][:, 2], about[1][:, 2], atol=1e-12)  # along the line of sight
    np.testing.assert_allclose(about[0], about[1], atol=0.02)  # and about it, but for the camera's slight tilt


def test_a_posture_has_the_hips_at_its_middle_and_down_is_down():
    _, _, _, _, shown = setting()
    hips = [POSTURE.index(f"{side}_hip") for side in ("left", "right")]
    np.testing.assert_allclose(shown[:, hips].mean(axis=1), 0.0, atol=1e-12)
    assert (shown[:, POSTURE.index("left_ankle"), 1] > 0.5).all()
    assert (shown[:, POSTURE.index("nose"), 1] < -0.4).all()


def test_mirroring_twice_gives_the_posture_back_and_once_exchanges_the_sides():
    _, _, _, _, shown = setting()
    np.testing.assert_array_equal(mirrored(mirrored(shown)), shown)
    left, right = POSTURE.index("left_wrist"), POSTURE.index("right_wrist")
    np.testing.assert_allclose(mirrored(shown)[:, left], shown[:, right] * [-1, 1, 1])


def test_known_errors_are_taken_out_in_the_camera_that_sees_the_posture_and_in_no_other():
    views, tracks, clocks, motion, shown = setting()
    found = without_view_errors(views, tracks, clocks, motion, seen_as(shown))
    assert found is not None
    cleaned, told = found
    heights = [np.ptp(tracks.of(n).uv_px[0, : len(BODY), 1]) for n in ("side", "rear")]
    moved = {n: tracks.of(n).uv_px - cleaned.of(n).uv_px for n in ("side", "rear")}
    p = tracks.index("right_knee")
    np.testing.assert_allclose(moved["side"][:, p, 0], RIGHT_PX * heights[0] / 200, rtol=0.02)
    np.testing.assert_allclose(moved["side"][..., : len(BODY), 1], 0.0, atol=1e-9)
    np.testing.assert_allclose(moved["rear"], 0.0, atol=0.02)  # sees another side of the body
    assert told.unlike == pytest.approx(0.5)
    assert "50 %" in told.sentence()


def test_a_left_point_errs_as_the_right_one_of_the_mirrored_body():
    views, tracks, clocks, motion, shown = setting()
    found = without_view_errors(views, tracks, clocks, motion, seen_as(shown))
    assert found is not None
    moved = tracks.of("side").uv_px - found[0].of("side").uv_px
    left, right = (moved[:, tracks.index(f"{side}_knee"), 0] for side in ("left", "right"))
    np.testing.assert_allclose(left, -right, rtol=0.02)


def test_sigma_and_the_make_up_of_noise_become_those_that_are_left_where_the_posture_is_known():
    views, tracks, clocks, motion, shown = setting()
    found = without_view_errors(views, tracks, clocks, motion, seen_as(shown, 0.5))
    assert found is not None
    p, tip = tracks.index("right_hip"), tracks.index("racket_tip")
    np.testing.assert_allclose(found[0].of("side").sigma_px[:, p], 0.5 * 3.0, rtol=0.02)
    np.testing.assert_allclose(found[0].of("rear").sigma_px[:, p], 3.0, rtol=0.02)  # unlike: as detected
    assert found[0].noise[p] == SLOW
    assert found[0].noise[tip] == tracks.noise[tip]
    np.testing.assert_array_equal(found[0].of("side").uv_px[:, tip], tracks.of("side").uv_px[:, tip])


def test_sigma_is_smaller_where_the_study_erred_less_in_such_a_posture_and_never_larger():
    views, tracks, clocks, motion, shown = setting()
    found = without_view_errors(views, tracks, clocks, motion, seen_as(shown, 0.5, larger=3.0))
    assert found is not None
    even = found[0].of("side").sigma_px
    sized = sized_by_posture(*found)
    side, rear = sized.of("side").sigma_px, sized.of("rear").sigma_px
    for name, factor in (("right_wrist", 1.0), ("left_wrist", 0.4), ("right_elbow", 1.0)):
        p = tracks.index(name)
        np.testing.assert_allclose(even[:, p], 0.5 * 3.0, rtol=0.03)
        np.testing.assert_allclose(side[:, p], factor * 0.5 * 3.0, rtol=0.03)
        np.testing.assert_allclose(rear[:, p], 3.0, rtol=0.03)  # unlike: as detected
    tip = tracks.index("racket_tip")
    np.testing.assert_array_equal(side[:, tip], tracks.of("side").sigma_px[:, tip])


def test_without_a_posture_or_without_view_errors_nothing_is_taken_out():
    views, tracks, clocks, motion, shown = setting()
    assert without_view_errors(views, tracks, clocks, motion, study()) is None
    assert without_view_errors(views, tracks, clocks, lacking(motion, slice(None)), seen_as(shown)) is None


def test_points_that_were_lost_for_a_while_leave_no_gap():
    views, tracks, clocks, motion, shown = setting()
    found = without_view_errors(views, tracks, clocks, lacking(motion, 2), seen_as(shown))
    assert found is not None
    assert np.isfinite(found[0].of("side").uv_px).all()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"reach": 0.0}, "reach"),
        ({"width": np.zeros(51)}, "widths"),
        ({"shown": np.zeros((2, 50))}, "shown"),
        ({"weights": np.zeros((2, 3, 2))}, "weights"),
        ({"doubt": np.zeros((2, 3))}, "doubt"),
    ],
)
def test_bad_view_errors_are_refused(change, message):
    good = {
        "middle": np.zeros(51), "width": np.ones(51), "shown": np.zeros((2, 51)), "reach": 1.0,
        "weights": np.zeros((2, len(PARTS), 2)), "doubt": np.zeros((2, len(PARTS))),
    }  # fmt: skip
    ViewErrors(**good)
    with pytest.raises(BadInput, match=message):
        ViewErrors(**(good | change))


def test_every_mode_of_the_study_has_view_errors_and_less_is_left_than_was_detected():
    for found in load_study().values():
        assert found.views is not None
        assert all(left.share < 1 for left in found.views.pixels.values())
        before, after = (
            np.array([joints[part].left_over() for part in PARTS])
            for joints in (found.joints, found.views.joints)
        )
        assert after.sum() < 0.85 * before.sum()
        assert (after < 1.1 * before).all()


def test_the_study_knows_its_own_postures_and_not_a_body_turned_upside_down():
    for found in load_study().values():
        assert found.views is not None
        errors = found.views.errors
        own = (errors.shown[:40] * errors.width + errors.middle).reshape(40, -1, 3)
        turned = errors.of(own * [1.0, -1.0, 1.0])
        assert (errors.of(own).known > 0.7).all()
        assert (turned.known < 0.3).all()
        assert np.linalg.norm(turned.errors, axis=2).max() < 0.01
        assert np.abs(np.log(turned.larger)).max() < 0.5


def test_the_study_is_less_sure_of_arms_in_some_postures_than_in_others():
    for found in load_study().values():
        assert found.views is not None
        errors = found.views.errors
        own = (errors.shown * errors.width + errors.middle).reshape(len(errors.shown), -1, 3)
        least, most = np.percentile(errors.of(own).larger[:, BODY.index("right_elbow")], [5, 95])
        assert most > 1.5 * least
