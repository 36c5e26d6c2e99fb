"""Drawings of what is measured: one for every angle and distance, spanning what the measure says."""

from __future__ import annotations

import html
from dataclasses import replace

import numpy as np
import pytest

from recon.definitions import DEFINITIONS
from recon.records import PointStatus
from recon.report.content import gather
from recon.report.drawings import DRAWINGS, draw, drawing_of
from recon.report.drawings.pose import Pose
from recon.report.drawings.spine import by_face, by_shoulders
from recon.report.svg import arc, turn_between
from recon.result import Result, load_result
from recon.wording import value_text
from tests.support.example_result import save_example
from tests.support.whole_serve import whole_serve

ANGLES = {name for name, d in DEFINITIONS.items() if d.unit == "rad"}
DISTANCES = {
    "spine_plane_min", "hip_past_baseline_max", "tip_to_tossing_hand", "contact_height",
    "contact_past_baseline",
    "contact_ahead_of_head", "contact_beside_head", "contact_past_front_toe", "contact_beside_front_toe",
    "wrist_below_elbow", "tip_below_wrist", "back_foot_drag", "back_foot_drag_inward", "release_height",
    "release_over_eyes", "toss_apex_height", "toss_drift_side", "toss_drift_forward", "landing_distance",
    "foot_fault_clearance", "centre_mark_clearance", "sideline_clearance", "tossing_wrist_to_trunk",
}  # fmt: skip
SPAN_OTHERWISE = {"tossing_elbow_mean", "tip_to_tossing_hand_ratio", "contact_height_ratio"}
"""A mean over time is drawn at one instant; a ratio is drawn as the distance that it is of."""


@pytest.fixture(scope="module", params=["right", "left"])
def whole(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Result:
    return whole_serve(load_result(save_example(tmp_path_factory.mktemp("whole"), request.param)))


def test_every_angle_and_every_main_distance_has_a_drawing_with_its_value(whole: Result) -> None:
    assert set(DRAWINGS) >= ANGLES | DISTANCES
    for m in whole.measures.measures:
        if m.name not in DRAWINGS:
            continue
        svg = draw(whole, m)
        assert svg is not None, f"{m.name}: {m.reason}"
        assert value_text(m) in html.unescape(str(svg)), m.name
        assert DRAWINGS[m.name][1] in html.unescape(str(svg))
        assert "nan" not in svg


def test_what_a_drawing_spans_is_what_was_measured(whole: Result) -> None:
    spanned = set()
    for m in whole.measures.measures:
        drawing = drawing_of(whole, m)
        if drawing is None or drawing.marked is None or m.name in SPAN_OTHERWISE:
            continue
        assert m.value is not None
        # points lie on straight lines between samples here, on cubics there; the stance is a median there
        assert drawing.marked == pytest.approx(abs(m.value), abs=0.012), m.name
        spanned.add(m.name)
    clearances = {name for name in DISTANCES if name.endswith("clearance")}  # a shoe's rim is not drawn
    assert spanned >= (ANGLES | DISTANCES) - clearances - SPAN_OTHERWISE


def test_a_measure_without_its_points_has_no_drawing(whole: Result) -> None:
    motion = whole.motion
    nowhere = np.full_like(motion.xyz_m, np.nan)
    status = np.full(motion.status.shape, PointStatus.TOO_FEW_VIEWS, dtype=np.int8)
    hidden = replace(
        whole, motion=replace(motion, status=status, xyz_m=nowhere, velocity_m_s=nowhere), flight=None
    )
    assert [m.name for m in whole.measures.measures if draw(hidden, m) is not None] == []


def test_rows_of_the_tables_have_their_drawings_too(whole: Result) -> None:
    rows = [card for group in gather(whole).groups for card in group.cards]
    with_one = {card.name for card in rows if card.drawing is not None}
    assert with_one == {card.name for card in rows} & set(DRAWINGS) and len(with_one) > 50


def test_face_and_shoulders_tell_the_same_hitting_side(whole: Result) -> None:
    t_s = whole.measures.of("spine_plane_head_min").t_s
    assert t_s is not None
    planes = [plane_at(Pose(whole, t_s)) for plane_at in (by_shoulders, by_face)]
    assert planes[0] is not None and planes[1] is not None
    assert planes[0].normal @ planes[1].normal > 0.5 and planes[0].anterior @ planes[1].anterior > 0.5


def test_the_ball_was_met_where_its_own_flight_has_it(whole: Result) -> None:
    """Its flight tells contact a little earlier than the events do; by then it is a good way off."""
    flight, told = whole.flight, whole.events.time("contact")
    assert flight is not None and told is not None
    met = told - 0.05
    struck = replace(flight, contact_s=met, struck_velocity_m_s=np.array([0.0, 45.0, -2.0]))
    pose = Pose(replace(whole, flight=struck), met)
    assert pose.at("ball@contact") == pytest.approx(np.asarray(flight.at(met)), abs=1e-6)


def test_the_racket_is_broken_where_no_camera_measured_it(whole: Result) -> None:
    m = whole.measures.of("spine_plane_min")
    status = whole.motion.status.copy()
    status[:, whole.motion.index("racket_tip")] = PointStatus.BRIDGED
    bridged = replace(whole, motion=replace(whole.motion, status=status))
    before, after = (str(draw(r, m)).count('stroke-dasharray="4 5"') for r in (whole, bridged))
    assert (before, after) == (0, 1)


def test_an_arc_turns_the_way_it_is_told() -> None:
    zero, east = np.zeros(2), np.array([1.0, 0.0])
    assert arc(zero, east, np.pi / 2, 2.0)[-1] == pytest.approx([0.0, 2.0], abs=1e-12)
    assert arc(zero, east, 1.5 * np.pi, 2.0)[-1] == pytest.approx([0.0, -2.0], abs=1e-12)
    assert turn_between(east, np.array([0.0, -3.0])) == pytest.approx(-np.pi / 2)
