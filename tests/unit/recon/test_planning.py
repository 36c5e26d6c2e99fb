"""A rig on paper: the stand-in athlete, what hides what, how errors add up, and the search for places."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration import BadInput
from calibration.planning import CalibrationPlan, aimed_camera, forecast_covariance
from recon.body import Body
from recon.planning import Planner, load_plan, suggest
from recon.planning.exposure import exposure_rows, metered_exposure_s, shutter_text
from recon.planning.figure import capsule_mesh
from recon.planning.notes import place_text, remarks
from recon.planning.points import point_errors
from recon.planning.predict import Predictor
from recon.planning.run_off import in_run_off
from recon.planning.search import exchanges, score
from recon.planning.serve import InventedServe, invented_serve
from recon.planning.sight import Sight, net_walls
from recon.planning.views import PlannedView, planned_view

PLACES_M = {"rear_left": (-4.75, -5.7, 2.75), "rear_right": (3.4, -6.62, 2.6), "side": (7.35, -1.3, 2.7)}
CAMERA = """
[[camera]]
name = "{name}"
size_px = [1280, 720]
focal_px = 1000
frame_rate = 120
exposure_ms = {exposure}
[[camera.allowed]]
at_m = {first}
{more}
"""


@pytest.fixture(scope="module")
def serve() -> InventedServe:
    return invented_serve(1.80, "right", 120.0)


@pytest.fixture(scope="module")
def sight(serve: InventedServe) -> Sight:
    return Sight(serve.body, serve.height_m)


@pytest.fixture(scope="module")
def views(serve: InventedServe, sight: Sight) -> list[PlannedView]:
    cameras = [aimed_camera(n, (1280, 720), 1000.0, p, (0.2, 0.2, 1.6)) for n, p in PLACES_M.items()]
    return [planned_view(c, 0.0005, serve.body, sight) for c in cameras]


@pytest.fixture(scope="module")
def predictor(serve: InventedServe) -> Predictor:
    return Predictor(serve, 0.0003)


def text_of(
    *, side_first: str = "[9.0, -6.0, 1.6]", exposure: float = 0.5, head: str = "", more: str = ""
) -> str:
    entries = (
        ("rear_left", "[-4.0, -6.6, 2.6]", ""),
        ("rear_right", "[4.0, -6.6, 2.6]", ""),
        ("side", side_first, more),
    )
    cameras = "".join(CAMERA.format(name=n, first=f, more=m, exposure=exposure) for n, f, m in entries)
    return f'name = "invented"\n{head}\n{cameras}'


def written(folder: Path, text: str) -> Path:
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


# -- the stand-in ----------------------------------------------------------------------------------------


def test_the_program_finds_a_serve_in_the_invented_one(serve: InventedServe) -> None:
    times = {e.name: e.t_s for e in serve.events.events}
    order = ["stance", "start", "release", "trophy", "deepest_bend", "push_off", "contact"]
    found = [times[name] for name in order]
    assert None not in found and found == sorted(found)
    speed = np.linalg.norm(serve.fine.rate("racket_tip"), axis=1)
    assert 35 < speed.max() < 50


@pytest.mark.parametrize("height_m", [1.4, 2.0])
def test_another_height_scales_the_body_but_not_the_racket(height_m: float, serve: InventedServe) -> None:
    other = invented_serve(height_m, "right", 120.0).body

    def length(body: Body, a: str, b: str) -> float:
        return float(np.linalg.norm(body.point(a)[0] - body.point(b)[0]))

    assert length(other, "left_hip", "left_knee") == pytest.approx(
        length(serve.body, "left_hip", "left_knee") * height_m / 1.80
    )
    assert length(other, "racket_butt", "racket_tip") == pytest.approx(0.685)


def test_a_left_hander_is_the_mirror_image() -> None:
    right, left = (invented_serve(1.80, hand, 120.0, x).body for hand, x in (("right", 0.4), ("left", -0.4)))
    for name in ("hitting_wrist", "front_toe", "racket_tip"):
        np.testing.assert_allclose(left.point(name), right.point(name) * (-1, 1, 1), atol=1e-12)


def test_a_child_too_small_and_a_clip_too_slow_are_refused() -> None:
    with pytest.raises(BadInput, match="height_m"):
        invented_serve(0.8, "right", 120.0)
    with pytest.raises(BadInput, match="frame_rate"):
        invented_serve(1.8, "right", 10.0)


def test_a_capsule_is_closed_and_holds_its_volume() -> None:
    """Gauss: the signed volume of the closed surface; ten corners make a round part 6 % smaller."""
    a, b, r = np.array([[0.1, 0.2, 0.3]]), np.array([[0.4, -0.1, 0.9]]), np.array([0.05])
    vertices, triangles = capsule_mesh(a, b, r)
    corners = vertices[triangles]
    volume = np.einsum("ni,ni->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6
    true = np.pi * r[0] ** 2 * (np.linalg.norm(b - a) + 4 / 3 * r[0])
    assert 0.90 * true < volume < true
    edges = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    _, shared = np.unique(edges, axis=0, return_counts=True)
    assert (shared == 2).all()


# -- what hides what -------------------------------------------------------------------------------------


def test_the_far_hip_is_hidden_and_the_near_one_is_not(serve: InventedServe, sight: Sight) -> None:
    """In the stance the right-hander's chest faces right of the net post: the left hip is the net's side."""
    start = serve.body.at(-1.4)
    hips = [serve.body.keypoints.index(f"{side}_hip") for side in ("left", "right")]
    near_net = sight.plain_from(np.array([0.5, 9.0, 1.0]))[start, hips]
    behind = sight.plain_from(np.array([0.5, -9.0, 1.0]))[start, hips]
    assert near_net.tolist() == [True, False]
    assert behind.tolist() == [False, True]


def test_net_and_screens_hide_what_is_behind_them(serve: InventedServe) -> None:
    tip = serve.body.keypoints.index("racket_tip")
    low = np.array([0.0, 14.0, 0.95])
    open_, netted = (Sight(serve.body, 1.8, walls).plain_from(low) for walls in ((), net_walls()))
    toe = serve.body.keypoints.index("left_toe")
    assert open_[:, toe].any() and not netted[:, toe].any()
    assert netted[serve.body.at(0.0), tip]  # over the net
    screen = [((-9.0, -4.0), (9.0, -4.0), 5.0)]
    assert not Sight(serve.body, 1.8, screen).plain_from(np.array([0.0, -7.0, 2.0])).any()


# -- errors ----------------------------------------------------------------------------------------------


def test_a_camera_more_never_hurts(serve: InventedServe, views: list[PlannedView]) -> None:
    body = serve.body
    two, three = (point_errors(v, body.t_s, body.velocity_m_s) for v in (views[:2], views))
    variances = [np.einsum("tpcia,tpcia->tp", e.by_noise, e.by_noise) for e in (two, three)]
    both = two.told & three.told
    assert (variances[1][both] <= variances[0][both] * (1 + 1e-9)).all()
    assert (three.told | ~two.told).all()


def test_point_covariance_is_what_triangulation_states(serve: InventedServe, views: list[PlannedView]) -> None:
    from recon.triangulate import triangulate

    errors = point_errors(views, serve.body.t_s, serve.body.velocity_m_s)
    k = serve.body.at(-0.4)
    uv = np.stack([v.uv_px[k] for v in views], axis=1)
    sigma = np.stack([v.sigma_px[k] for v in views], axis=1)
    stated = triangulate([v.camera for v in views], uv, sigma).cov_m2
    foretold = errors.covariance_m2(np.zeros((54, 54)))[k]
    np.testing.assert_allclose(foretold, stated, rtol=1e-6)


def test_a_point_that_is_lost_for_a_moment_is_carried_with_a_larger_error(
    serve: InventedServe, views: list[PlannedView]
) -> None:
    tip, t = serve.body.keypoints.index("racket_tip"), serve.body.t_s
    gone = []
    for view in views:
        sigma = view.sigma_px.copy()
        sigma[50:53, tip] = np.nan
        sigma[60:90, tip] = np.nan
        gone.append(replace(view, sigma_px=sigma))
    errors = point_errors(gone, t, serve.body.velocity_m_s)
    size = np.sqrt(np.einsum("tcia,tcia->t", errors.by_noise[:, tip], errors.by_noise[:, tip]))
    assert size[50] == pytest.approx(size[49] * np.sqrt(1 + 3 * (1 / 60 / 0.02) ** 2))
    assert errors.told[50:53, tip].all() and not errors.told[68:82, tip].any()  # 0.1 s from both ends


def test_hidden_points_cost_and_nothing_hidden_costs_nothing(
    predictor: Predictor, views: list[PlannedView]
) -> None:
    calibration = forecast_covariance([v.camera for v in views], CalibrationPlan())
    hidden = {m.row.name: m for m in predictor.measures(views, calibration)}
    plain = [replace(v, sigma_px=v.bare_sigma_px) for v in views]
    bare = {m.row.name: m for m in predictor.measures(plain, calibration, quick=True)}
    turn = "front_foot_turn"
    assert bare[turn].sources["occlusion"] == 0 < hidden[turn].sources["occlusion"]
    assert hidden[turn].sources["pixels"] == pytest.approx(bare[turn].sources["pixels"])
    assert hidden[turn].rig_u > 1.1 * bare[turn].rig_u
    assert all(0 < m.rig_u < m.u and m.sources[m.cause] == max(m.sources.values()) for m in hidden.values())


def test_one_camera_cannot_tell_and_says_what_is_missing(
    predictor: Predictor, views: list[PlannedView]
) -> None:
    (first, *_) = predictor.measures(views[:1], np.zeros((18, 18)))
    assert first.cause == "not seen" and first.u == np.inf and "racket_tip" in first.unseen


# -- exposure and places ---------------------------------------------------------------------------------


def test_exposure_by_hand(tmp_path: Path) -> None:
    """A tip at 45 m/s, f = 1000 px: at depth d it crosses 45000 / d px a second."""
    planner = Planner(load_plan(written(tmp_path, text_of(head="lux = 500"))))
    forecast = planner.forecast(planner.first_choice())
    row = exposure_rows(planner, forecast)[0]
    swing = planner.serve.body.between(-0.1, 0.0)
    depth = forecast.views[0].camera.depth_m(planner.serve.body.point("racket_tip")[swing]).min()
    assert row.limit_s == pytest.approx(4.0 / (45 * 1000 / depth))
    assert row.planned_blur_px == pytest.approx(0.0005 * 45 * 1000 / depth)
    assert row.light_s is None  # no aperture given
    assert metered_exposure_s(500, 2.0, 1600) == pytest.approx(1 / 800)


@pytest.mark.parametrize(
    ("seconds", "text"), [(1 / 2000, "1/2000 s"), (1 / 1741, "1/1800 s"), (0.02, "1/50 s")]
)
def test_shutter_text_never_promises_a_longer_exposure(seconds: float, text: str) -> None:
    assert shutter_text(seconds) == text


def test_run_off() -> None:
    assert in_run_off((0.0, -5.0, 1.6)) and in_run_off((8.0, 0.0, 2.0))
    assert (
        not in_run_off((0.0, -6.0, 1.6)) and not in_run_off((9.0, 0.0, 1.6)) and not in_run_off((0.0, 5.0, 5.0))
    )


def test_place_text() -> None:
    assert place_text((-4.75, -5.7, 2.75)) == "4.8 m left, 5.7 m behind the baseline, 2.8 m high"


def test_the_search_finds_the_place_that_is_plainly_better(tmp_path: Path) -> None:
    """The side camera starts behind its neighbour, nearly in the same direction; a true side place is allowed,
    and one in the run-off that must not be taken."""
    more = "[[camera.allowed]]\nat_m = [9.0, 0.0, 2.6]\n[[camera.allowed]]\nat_m = [6.5, 0.0, 2.6]"
    planner = Planner(load_plan(written(tmp_path, text_of(side_first="[4.6, -7.0, 2.6]", more=more))))
    assert ((0, 0), (1, 0), (2, 2)) not in exchanges(planner, planner.first_choice())
    found = suggest(planner)
    (move,) = found.moves
    assert move.name == "side" and move.to_m == (9.0, 0.0, 2.6)
    assert found.before is not None
    before, after = (score(np.array([m.rig_share for m in f.measures])) for f in (found.before, found.after))
    assert after < 0.9 * before
    assert not any("run-off" in r for r in remarks(planner, found.after))


# -- the description -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"exposure": 20.0}, "at most one frame, 8.33 ms, got 20"),
        ({"head": "chose = 2"}, "chose: unknown key"),
        ({"head": "choose = 4"}, "at most the 3 cameras listed, got 4"),
        ({"head": "[goals]\nelbow = 3"}, "want one of spine_plane_min"),
        ({"more": "[[camera.allowed]]\nfrom_m = [1, 2]"}, "from_m, to_m and heights_m together"),
        ({"more": "[[camera.allowed]]\nat_m = [1, 2, 3]\nlow_m = [1, 2, 3]"}, "exactly one of"),
        ({"more": "field_of_view_deg = 60"}, "field_of_view_deg: unknown key"),
    ],
)  # fmt: skip
def test_a_wrong_plan_says_what_and_where(wrong: dict[str, object], said: str, tmp_path: Path) -> None:
    path = written(tmp_path, text_of(**wrong))
    with pytest.raises(BadInput) as caught:
        load_plan(path)
    assert str(path) in str(caught.value) and said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_fence_line_and_a_box_are_spelled_out(tmp_path: Path) -> None:
    more = (
        "[[camera.allowed]]\nfrom_m = [9.0, -2.0]\nto_m = [9.0, 2.0]\nheights_m = [1.5, 3.0]\nsteps = 3\n"
        "[[camera.allowed]]\nlow_m = [-1.0, 8.0, 5.0]\nhigh_m = [1.0, 8.0, 5.0]\nsteps = 2"
    )
    side = load_plan(written(tmp_path, text_of(more=more))).cameras[2]
    assert side.places_m[0] == (9.0, -6.0, 1.6)
    assert set(side.places_m[1:7]) == {(9.0, y, z) for y in (-2.0, 0.0, 2.0) for z in (1.5, 3.0)}
    assert set(side.places_m[7:]) == {(-1.0, 8.0, 5.0), (1.0, 8.0, 5.0)}


def test_goals_are_read_in_the_units_people_read(tmp_path: Path) -> None:
    plan = load_plan(written(tmp_path, text_of(head="[goals]\nelbow_angle_trophy = 9\ncontact_height = 2")))
    assert plan.goals_si["elbow_angle_trophy"] == pytest.approx(np.deg2rad(9))
    assert plan.goals_si["contact_height"] == pytest.approx(0.02)
