"""Poses and strokes of the scene on records small enough to work out by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from calibration import BadInput, CalibratedRig, Camera, Provenance, Rigid
from calibration.geometry.camera import N_CAMERA
from recon.records import BONES, KEYPOINTS, BallFlight, Clock, Clocks, Motion, PointStatus
from recon.scene import body, palette, picture_index, skeleton_in_picture
from recon.store import FramePictures


def motion_of(points: dict[str, list[list[float]]], t_s: list[float]) -> Motion:
    """A Motion of the named points; a point whose first number is NaN is absent at that time."""
    xyz = np.stack([np.array(p, dtype=float) for p in points.values()], axis=1)
    status = np.where(np.isnan(xyz[..., 0]), PointStatus.TOO_FEW_VIEWS, PointStatus.OK)
    cov = np.where(np.isnan(xyz[..., None]), np.nan, np.eye(3) * 1e-4)
    return Motion("court", tuple(points), np.array(t_s), xyz, np.zeros_like(xyz), cov, status)


def test_positions_are_linear_between_samples_and_absent_outside() -> None:
    m = motion_of({"nose": [[0, 0, 1], [0, 0, 2], [0, 0, 5]]}, [0.0, 1.0, 2.0])
    assert body.positions_at(m, 0.25)[0, 2] == pytest.approx(1.25)
    assert body.positions_at(m, 2.0)[0, 2] == 5.0
    assert np.isnan(body.positions_at(m, 2.01)).all()
    assert np.isnan(body.positions_at(m, -0.01)).all()


def test_a_sample_shows_even_where_its_neighbour_is_absent() -> None:
    nan = float("nan")
    m = motion_of({"nose": [[0, 0, 1], [nan] * 3]}, [0.0, 1.0])
    assert body.positions_at(m, 0.0)[0, 2] == 1.0
    assert np.isnan(body.positions_at(m, 0.5)).all()


@pytest.mark.parametrize(
    ("bone", "hand", "group"),
    [
        (("right_elbow", "right_wrist"), "right", "hitting_arm"),
        (("right_elbow", "right_wrist"), "left", "tossing_arm"),
        (("left_hip", "left_knee"), "right", "front_leg"),
        (("left_hip", "left_knee"), "left", "back_leg"),
        (("left_hip", "right_hip"), "left", "trunk"),
        (("racket_butt", "racket_throat"), "right", "racket"),
    ],
)
def test_sides_are_told_as_hitting_and_front(bone: tuple[str, str], hand: str, group: str) -> None:
    assert body.group_of(bone, hand) == group


def test_every_bone_is_in_one_group() -> None:
    pairs = [p for rows in body.bones_by_group(KEYPOINTS, "right").values() for p in rows]
    assert len(pairs) == len(set(pairs)) == len(BONES)


def test_bones_with_an_absent_end_are_not_drawn() -> None:
    nan = float("nan")
    m = motion_of(
        {"right_elbow": [[0, 0, 1]] * 2, "right_wrist": [[nan] * 3] * 2, "left_elbow": [[1, 0, 1]] * 2,
         "left_wrist": [[1, 0, 2]] * 2}, [0.0, 1.0],
    )  # fmt: skip
    parts = {p.name: p for p in body.skeleton(m, "right", 0.5)}
    assert parts["hitting_arm"].ends_m.shape == (0, 2, 3)
    np.testing.assert_allclose(parts["tossing_arm"].ends_m, [[[1, 0, 1], [1, 0, 2]]])
    assert len(parts["joints"].xyz_m) == 3
    assert parts["hitting_arm"].width_px > parts["tossing_arm"].width_px  # not told by colour alone


def test_a_racket_seen_in_part_is_a_thin_line_from_wrist_to_tip() -> None:
    nan = float("nan")
    points = {
        "right_wrist": [[0, 0, 1]] * 2,
        "racket_butt": [[0, 0, 1]] * 2,
        "racket_throat": [[0, 0, 1.3]] * 2,
        "racket_tip": [[0, 0, 1.6]] * 2,
    }
    whole = {p.name: p for p in body.skeleton(motion_of(points, [0.0, 1.0]), "right", 0.5)}
    assert (len(whole["racket"].ends_m), len(whole["racket_reach"].ends_m)) == (2, 0)
    hidden = points | {"racket_throat": [[nan] * 3] * 2}
    part = {p.name: p for p in body.skeleton(motion_of(hidden, [0.0, 1.0]), "right", 0.5)}
    assert len(part["racket"].ends_m) == 0
    np.testing.assert_allclose(part["racket_reach"].ends_m, [[[0, 0, 1], [0, 0, 1.6]]])
    other = {p.name: p for p in body.skeleton(motion_of(hidden, [0.0, 1.0]), "left", 0.5)}
    assert len(other["racket_reach"].ends_m) == 0  # a left-hander's hitting wrist is not among the points


def test_what_is_inferred_of_the_racket_is_a_broken_line_and_a_small_tip() -> None:
    """By hand: a stroke of 0.3 m in five dashes, each three fifths of 60 mm, in space and in the picture."""
    points = {
        "racket_butt": [[0, 0, 1]] * 2, "racket_throat": [[0, 0, 1.3]] * 2, "racket_tip": [[0, 0, 1.6]] * 2,
        "racket_edge_1": [[0.1, 0, 1.45]] * 2, "racket_edge_2": [[-0.1, 0, 1.45]] * 2,
    }  # fmt: skip
    m = motion_of(points, [0.0, 1.0])
    whole = {p.name: p for p in body.skeleton(m, "right", 0.0)}
    assert len(whole["racket"].ends_m) == 2 + 4  # shaft and head
    m.status.flags.writeable = True
    m.status[0, 2] = PointStatus.INFERRED
    part = {p.name: p for p in body.skeleton(m, "right", 0.0)}
    shaft, dashes = part["racket"].ends_m[0], part["racket"].ends_m[1:6]
    np.testing.assert_allclose(shaft, [[0, 0, 1], [0, 0, 1.3]])
    np.testing.assert_allclose(dashes[:, :, 2], 1.3 + 0.06 * (np.arange(5)[:, None] + [0.2, 0.8]))
    assert part["racket_tip"].radius_m < whole["racket_tip"].radius_m
    strokes = {s.group: s.ends_px for s in skeleton_in_picture(result_of(m), "rear", -0.5)}
    np.testing.assert_allclose(strokes["racket"][1], camera().project(dashes[0]))


def test_ball_falls_back_to_its_flight_and_only_while_it_lasted() -> None:
    m = motion_of({"nose": [[0, 0, 1]] * 2}, [0.0, 2.0])
    flight = BallFlight(0.5, 1.5, np.array([0.0, 0, 2]), np.array([0.0, 0, 5]), 9.7, 0.1, 0.01)
    np.testing.assert_allclose(body.ball(m, flight, 1.0).xyz_m, [[0, 0, 2 + 2.5 - 9.81 / 8]])
    assert len(body.ball(m, flight, 1.6).xyz_m) == 0
    assert len(body.ball(m, None, 1.0).xyz_m) == 0


def camera() -> Camera:
    """At (0, -4, 1), looking along +y: court x is picture u, court z is picture -v."""
    R = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])
    K = np.array([[800.0, 0, 400.0], [0, 800.0, 300.0], [0, 0, 1]])
    return Camera("rear", (800, 600), K, np.zeros(5), Rigid(R, -R @ [0, -4.0, 1.0], "cam_rear", "court"))


def result_of(motion: Motion) -> SimpleNamespace:
    return SimpleNamespace(
        rig=CalibratedRig("one", "court", (camera(),), np.zeros((N_CAMERA, N_CAMERA)), Provenance("test")),
        motion=motion,
        clocks=Clocks("rear", (Clock("rear", 0.5, 0.0),)),
        session=SimpleNamespace(file=SimpleNamespace(handedness="right")),
    )  # fmt: skip


def test_skeleton_in_picture_is_taken_at_the_cameras_own_time() -> None:
    # the wrist moves 1 m in 1 s along x; at camera time 0.25 the rig time is 0.75
    m = motion_of(
        {"right_elbow": [[0, 0, 1]] * 2, "right_wrist": [[0, 0, 1.5], [1, 0, 1.5]]}, [0.0, 1.0]
    )  # fmt: skip
    strokes = {s.group: s for s in skeleton_in_picture(result_of(m), "rear", 0.25)}
    # u = 400 + 800 · 0.75 / 4, v = 300 - 800 · 0.5 / 4
    np.testing.assert_allclose(strokes["hitting_arm"].ends_px, [[[400, 300], [550, 200]]], atol=1e-9)
    assert strokes["hitting_arm"].colour == palette.HITTING
    assert strokes["racket"].ends_px.shape == (0, 2, 2)


def test_unknown_camera_is_refused() -> None:
    m = motion_of({"nose": [[0, 0, 1]] * 2}, [0.0, 1.0])
    with pytest.raises(BadInput, match="no camera 'attic'"):
        skeleton_in_picture(result_of(m), "attic", 0.0)


def test_the_nearest_picture_is_found_on_the_cameras_clock(tmp_path: object) -> None:
    m = motion_of({"nose": [[0, 0, 1]] * 2}, [0.0, 1.0])
    pictures = FramePictures("rear", np.array([0.0, 0.1, 0.2, 0.3]), (), 0.25)
    assert picture_index(result_of(m), pictures, 0.71) == 2  # t_cam 0.21
