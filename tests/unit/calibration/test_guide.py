"""The guide's judge: blur and motion rejected, duplicates thinned, places better than chance. Invented data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration.errors import BadInput
from calibration.folder import read_rig_folder
from calibration.geometry.camera import PARAMETERS
from calibration.guide import GuideSession, Judge, Patience, Verdict, sources_of
from calibration.guide.coverage import corners_per_field
from calibration.guide.plan import candidate_places, next_views, outline_m, within_reach, worst_u_now_px
from calibration.guide.rough_lens import PlaneView, ProjectionSpread, fit_rough_lens, inverse
from calibration.guide.together import HoldWatch, SharedMoments, shared_standing
from calibration.view_choice import coverage
from calibration.views import Hold
from tests.support.board_tour import (
    BOARD,
    SIZE_PX,
    any_place,
    facing,
    guided_poses,
    held_as_asked,
    shifted,
    shot,
    show,
    tour_camera,
)
from tests.support.rig_toml import rig_toml
from tests.support.rig_worlds import board_facing, court_cameras, rig_cameras, sees_all

TWO = rig_toml(
    {name: f'lens_footage = "{name}.ts"' for name in ("left", "right")},
    '[[shared]]\n[shared.footage]\nleft = "shared_left.ts"\nright = "shared_right.ts"\n',
)


def judge() -> Judge:
    return Judge("west", BOARD, SIZE_PX)


def test_a_board_held_still_for_ten_seconds_counts_once() -> None:
    rng, camera, j = np.random.default_rng(1), tour_camera(), judge()
    corners = camera.project(facing(0.1, 0.1, 2.5).apply(BOARD.points_m()))
    ids = np.arange(len(corners))
    for k in range(100):
        j.weigh(0.1 * k, corners + rng.normal(0, 0.1, corners.shape) + rng.normal(0, 0.3, 2), ids, 2.0)
    counts = j.standing().counts
    assert counts == {Verdict.FIRST: 1, Verdict.ACCEPTED: 1, Verdict.DUPLICATE: 98}


@pytest.mark.parametrize(("blur_px", "rejected"), [(0.0, False), (1.0, False), (4.0, True), (8.0, True)])
def test_motion_blur_is_told_from_the_picture(blur_px: float, rejected: bool) -> None:
    """The board shakes without leaving its place, so only its edges tell."""
    rng, camera, j = np.random.default_rng(2), tour_camera(), judge()
    pose = facing(0.0, 0.0, 2.2)
    for k in range(3):
        j.feed(0.1 * k, shot(camera, pose, rng))
    way = np.array([blur_px, 0.3 * blur_px, 0.0]) * 2.2 / 560.0
    verdicts = []
    for n in range(4):
        place = shifted(pose, np.array([0.1 * n - 0.3, 0.05, 0.0]))
        j.feed(5.0 + n, shot(camera, place, rng, way))
        verdicts.append(j.feed(5.1 + n, shot(camera, place, rng, way)).verdict)
    assert verdicts.count(Verdict.BLURRED) == (4 if rejected else 0)


def test_a_carried_board_moves_too_fast() -> None:
    rng, camera, j = np.random.default_rng(3), tour_camera(), judge()
    verdicts = [j.feed(0.1 * k, shot(camera, facing(0.1 * k - 0.4, 0.0, 2.2), rng)).verdict for k in range(5)]
    assert verdicts == [Verdict.FIRST, *4 * [Verdict.MOVING]]


def test_a_board_half_outside_and_no_board_are_told_apart() -> None:
    rng, camera, j = np.random.default_rng(4), tour_camera(), judge()
    assert j.feed(0.0, shot(camera, facing(0.95, 0.0, 1.8), rng)).verdict is Verdict.OUTSIDE
    assert j.feed(1.0, shot(camera, facing(30.0, 0.0, 1.8), rng)).verdict is Verdict.NOT_FOUND


def test_pictures_of_another_size_are_refused() -> None:
    with pytest.raises(BadInput, match="640x360"):
        judge().feed(0.0, np.zeros((100, 100), np.uint8))


def test_the_rough_lens_finds_the_true_one() -> None:
    rng, camera, j = np.random.default_rng(5), tour_camera(), judge()
    for _ in range(12):
        show(j, camera, held_as_asked(camera, any_place(camera, rng), rng), rng)
    off = (j.lens.camera.lens_vector() - camera.lens_vector())[:9]
    u = np.sqrt(np.diag(inverse(j.lens.information)))
    assert (np.abs(off) < 4 * u).all(), dict(zip(PARAMETERS, off / u, strict=False))
    assert u[0] < 0.02 * camera.K_px[0, 0]


def test_following_the_guide_needs_fewer_views_than_chance() -> None:
    """Same places to choose from, same hand: only the choice differs."""
    rng, camera = np.random.default_rng(6), tour_camera()
    guided, chance = judge(), judge()
    poses = guided_poses(guided, camera, rng)
    for _ in poses:
        show(chance, camera, held_as_asked(camera, any_place(camera, rng), rng), rng)
    assert 8 <= len(poses) <= 25
    assert worst_u_now_px(guided.lens) < 0.8 * worst_u_now_px(chance.lens)
    assert guided.standing().coverage.share > chance.standing().coverage.share


def test_each_suggestion_is_predicted_as_it_comes_true() -> None:
    """Exact corners at the suggested place give the uncertainty that was foretold."""
    rng, camera, j = np.random.default_rng(7), tour_camera(), judge()
    for _ in range(6):
        show(j, camera, held_as_asked(camera, any_place(camera, rng), rng), rng)
    best = j.standing().missing[0]
    place = next(p for p in candidate_places(j.lens.camera, BOARD) if p.words == best.place_words)
    views = [*(v.seen for v in j.kept), PlaneView(BOARD.points_m(), best.corners_px)]
    after = fit_rough_lens("west", SIZE_PX, views, "radial5")
    scale = j.lens.sigma_px / after.sigma_px  # one exact view makes the residuals look smaller
    assert scale * worst_u_now_px(after) == pytest.approx(best.worst_u_px, rel=0.1)
    assert np.allclose(j.lens.camera.placed(place.cam_from_board).project(outline_m(BOARD)), best.outline_px)


def test_places_lie_inside_the_picture_whatever_the_lens() -> None:
    rng, camera, j = np.random.default_rng(8), tour_camera(), judge()
    for _ in range(3):
        for place in candidate_places(j.lens.camera, BOARD):
            px = place.outline_px
            assert (px > 0).all() and (px < np.array(SIZE_PX) - 1).all()
            a, b = np.roll(px, -1, axis=0) - px, np.roll(px, -2, axis=0) - np.roll(px, -1, axis=0)
            assert (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] > 0).all(), "the outline is folded over"
        show(j, camera, held_as_asked(camera, any_place(camera, rng), rng), rng)


def test_a_turn_of_the_camera_is_no_lens_uncertainty() -> None:
    """A far shift of the centre is almost a turn: most of it is taken out; a change of scale is not."""
    camera, spread = tour_camera(), ProjectionSpread(tour_camera())
    centre, focal = np.zeros((9, 9)), np.zeros((9, 9))
    centre[2, 2], focal[:2, :2] = 1.0, 1.0
    assert spread.worst_u_px(centre) < 0.6
    assert spread.worst_u_px(focal) > 0.5 * np.hypot(*camera.size_px) / 2 / 560.0 * 0.8


def test_coverage_is_the_lens_records_own() -> None:
    rng = np.random.default_rng(9)
    corners = rng.uniform((0, 0), SIZE_PX, (40, 2))
    assert (corners_per_field(corners, SIZE_PX) > 0).mean() == coverage([corners], SIZE_PX)
    assert corners_per_field(corners, SIZE_PX).sum() == 40


def test_suggestions_prefer_fields_no_corner_has_reached() -> None:
    lens = fit_rough_lens("west", SIZE_PX, [], "radial5")
    reached = np.ones((8, 12), dtype=bool)
    information = lens.information * 1e9  # nothing left to learn but the unseen corner
    reached[:3, 9:] = False
    known = type(lens)(lens.camera, (), information, lens.sigma_px)
    assert next_views(known, BOARD, reached, 1)[0].where == "upper right corner of the picture"


def test_holds_are_found_as_pictures_come() -> None:
    rng, camera, j = np.random.default_rng(10), tour_camera(), judge()
    watch, done = HoldWatch(BOARD), []
    ids = np.arange(54)
    for k in range(40):
        x = 0.0 if k < 15 else 0.06 * (k - 15) if k < 22 else 0.4
        corners = camera.project(facing(x - 0.2, 0.0, 2.5).apply(BOARD.points_m()))
        hold = watch.feed(0.1 * k, j.weigh(0.1 * k, corners + rng.normal(0, 0.05, corners.shape), ids, 2.0))
        done += [] if hold is None else [hold]
    last = watch.close()
    assert len(done) == 1 and last is not None
    assert done[0].start_s == pytest.approx(0.1, abs=0.11) and done[0].stop_s == pytest.approx(1.4, abs=0.11)


def test_shared_moments_link_cameras() -> None:
    moments = SharedMoments()
    corners = np.random.default_rng(11).uniform((0, 0), (600, 300), (10, 54, 2))
    for n in range(10):
        moments.add("a", Hold(5.0 * n, 5.0 * n + 1, corners[n]))
        moments.add("b", Hold(5.0 * n + 0.2, 5.0 * n + 1.3, corners[n]))
        moments.add("c", Hold(5.0 * n + 2.5, 5.0 * n + 3.5, corners[n]))  # while a and b see nothing
    told = shared_standing(dict.fromkeys("abc", SIZE_PX), moments.shared())
    assert told.pairs == {("a", "b"): 10, ("a", "c"): 0, ("b", "c"): 0}
    assert told.unlinked == ("c",)
    assert told.missing[0].startswith("camera c is not linked")
    assert not told.enough


def test_holds_missing_in_a_part_of_the_picture_are_named() -> None:
    shape = np.random.default_rng(12).uniform(0, 100, (54, 2))
    seen = [{"a": shape * (1 + 0.1 * n), "b": shape * (1 + 0.1 * n)} for n in range(10)]
    told = shared_standing(dict.fromkeys("ab", SIZE_PX), seen)
    assert told.unlinked == ()
    assert told.missing == (
        "camera a: no hold in the middle and right third of its picture",
        "camera b: no hold in the middle and right third of its picture",
    )


def test_points_beyond_a_lenss_reach_are_told() -> None:
    """With k1 = -0.5 the radius r (1 - r² / 2) turns back at r = 0.816: 1.2 lands where 0.36 does."""
    lens = np.zeros(12)
    lens[:5] = 500.0, 500.0, 320.0, 180.0, -0.5
    camera = tour_camera().with_lens(lens)
    near, far = np.array([[0.3, 0.0, 1.0]]), np.array([[1.2, 0.0, 1.0]])
    assert within_reach(camera, near, camera.project(near))
    assert not within_reach(camera, far, camera.project(far))


def test_finished_files_are_joined_by_their_holds(tmp_path: Path) -> None:
    """Two cameras on their own clocks; only the pattern of holds tells how they lie."""
    rng = np.random.default_rng(13)
    left, right = rig_cameras(court_cameras(("left", "right")))
    (tmp_path / "rig.toml").write_text(TWO, "utf-8")
    folder = read_rig_folder(tmp_path)
    sources = tuple(s for s in sources_of(folder, None, {}) if s.shared_set is not None)
    session = GuideSession(folder, sources, Patience())
    poses = []
    while len(poses) < 12:
        pose = left.cam_from_world.inverse() @ board_facing(left, rng, (4.0, 8.0))
        if sees_all(right, pose.apply(BOARD.points_m())):
            poses.append(pose)
    starts_s = np.cumsum(rng.uniform(1.5, 6.0, len(poses)))
    for watch, camera, late_s in zip(session.watches, (left, right), (0.0, 7.3), strict=True):
        watch.judge = Judge(camera.name, BOARD, camera.size_px)
        for pose, start_s in zip(poses, starts_s, strict=True):
            show(watch.judge, camera, pose, rng)
            corners = camera.project(pose.apply(BOARD.points_m())) + rng.normal(0, 0.1, (54, 2))
            watch.holds.done.append(Hold(start_s - late_s, start_s - late_s + 1.0, corners))
    assert session.shared()[0].pairs == {("left", "right"): 0}
    session.run_out()
    assert session.shared()[0].pairs[("left", "right")] >= 10, session.notes
