"""Which drawing belongs to which measure."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from markupsafe import Markup

from recon.records import Measure
from recon.report.drawings import feet, gaps, spine
from recon.report.drawings.angles import TURNS, dorsiflexion, joint, line_turn
from recon.report.drawings.pose import Make, Pose
from recon.report.drawings.views import ABOVE, BEHIND, SIDE, SQUARE, behind, side
from recon.report.svg import Drawing
from recon.result import Result
from recon.wording import value_text

_ARM, _LEG = ("shoulder", "elbow", "wrist"), ("hip", "knee", "ankle")
_TOSSING, _HITTING = ("trunk", "tossing_arm"), ("trunk", "hitting_arm")
_SWING = ("trunk", "hitting_arm", "racket")
_ALL = ("trunk", "hitting_arm", "racket", "front_leg", "back_leg")
_BENT = "seen square to the bend of the joint"
_ALONG_CHEST = "seen from behind, along the chest"
_EDGE = "baseline, rear edge"


def _line_gap(point: str, first: str, last: str, strong: tuple[str, ...]) -> Make:
    """From a point to the nearest one on the line between two others, which is drawn."""
    ends = (point, first, last)
    return gaps.square_gap(point, gaps.nearest_on(*ends), gaps.far_end(*ends), strong)


_SPINE = (spine.tip_to_plane(spine.by_shoulders, "spine plane"), _ALONG_CHEST)
_HIP = (gaps.past_line("front_hip", None, _EDGE), SIDE)
_MIDHIP = (gaps.past_line("mid_hip", None, _EDGE), SIDE)
_HEADING = (feet.heading("front"), ABOVE)
_FRONT_KNEE = (joint("front", _LEG, "front_leg", flexion=True), _BENT)
_BACK_KNEE = (joint("back", _LEG, "back_leg", flexion=True), _BENT)
_TOSSING_ELBOW = joint("tossing", _ARM, "tossing_arm", flexion=False)
_TO_HAND = (gaps.square_gap("racket_tip", "tossing_wrist", gaps.over_hand, _ALL, reference=False), SQUARE)
_HEIGHT = (
    gaps.gap(behind, gaps.ground_under("met"), "met", "up", _SWING, level=gaps.beside_contact), BEHIND,
)  # fmt: skip

DRAWINGS: Mapping[str, tuple[Make, str]] = MappingProxyType(
    {
        "spine_plane_min": _SPINE,
        "spine_plane_at_trophy": _SPINE,
        "spine_plane_head_min": (spine.tip_to_plane(spine.by_face, "plane of spine and face"),
                                 "seen from behind, along the face"),
        "hip_past_baseline_max": _HIP,
        "hip_past_baseline_trophy": _HIP,
        "hip_past_baseline_contact": _HIP,
        "midhip_past_baseline_max": _MIDHIP,
        "midhip_past_baseline_trophy": _MIDHIP,
        "midhip_past_baseline_contact": _MIDHIP,
        "hip_past_front_toe_max": (gaps.past_line("front_hip", "front_toe", "front toe"), SIDE),
        "front_foot_turn": (feet.turn, ABOVE),
        "front_foot_turn_largest": (feet.turn, ABOVE),
        "front_foot_yaw_stance": _HEADING,
        "front_foot_yaw_deepest_bend": _HEADING,
        "front_foot_yaw_push_off": _HEADING,
        "front_toe_path": (feet.way("front_toe", "stance", None, "path", ("front",)), ABOVE),
        "front_heel_path": (feet.way("front_heel", "stance", None, "path", ("front",)), ABOVE),
        "front_toe_slide": (feet.way("front_toe", "stance", None, "straight", ("front",)), ABOVE),
        "front_heel_slide": (feet.way("front_heel", "stance", None, "straight", ("front",)), ABOVE),
        "stance_narrowing": (feet.stance, ABOVE),
        "back_foot_step": (feet.way("back_foot", "stance", None, "straight", ("back",)), ABOVE),
        "back_foot_yaw_stance": (feet.heading("back"), ABOVE),
        "front_toe_clearance": (
            gaps.gap(side, gaps.below_by_value("front_toe"), "front_toe", "up", ("front_leg",)), SIDE),
        "tossing_elbow_mean": (_TOSSING_ELBOW, f"{_BENT}, at release; the value is the mean over the lift"),
        "tossing_elbow_min": (_TOSSING_ELBOW, _BENT),
        "lift_start_from_thigh": (
            _line_gap("tossing_wrist", "front_hip", "front_knee", ("tossing_arm", "front_leg")), SQUARE),
        "toss_sweep": TURNS["sweep"],
        "release_height": (gaps.gap(side, gaps.ground_under("ball@release"), "ball@release", "up", _TOSSING,
                                    level=gaps.ahead_of_body), SIDE),
        "release_over_eyes": (gaps.gap(side, "mid_eye@release", "ball@release", "up", _TOSSING,
                                       level=gaps.ahead_of_body), SIDE),
        "toss_apex_height": (gaps.gap(side, gaps.ground_under("apex"), "apex", "up", _TOSSING,
                                      level=gaps.ahead_of_body, toss=True), SIDE),
        "toss_drift_side": (
            gaps.gap(behind, "ball@release", "ball@contact", "across", _SWING, toss=True), BEHIND),
        "toss_drift_forward": (
            gaps.gap(side, "ball@release", "ball@contact", "across", _SWING, toss=True), SIDE),
        "front_knee_flexion_trophy": _FRONT_KNEE,
        "back_knee_flexion_trophy": _BACK_KNEE,
        "front_knee_flexion_deepest": _FRONT_KNEE,
        "back_knee_flexion_deepest": _BACK_KNEE,
        "front_ankle_dorsiflexion_max": (dorsiflexion("front"), _BENT),
        "back_ankle_dorsiflexion_max": (dorsiflexion("back"), _BENT),
        "trunk_inclination_trophy": TURNS["inclination"],
        "trunk_lean_forward_trophy": TURNS["lean forward"],
        "trunk_lean_side_trophy": TURNS["lean side"],
        "hip_shoulder_separation_trophy": TURNS["separation"],
        "hip_line_turn_trophy": (line_turn("hip"), ABOVE),
        "shoulder_line_turn_trophy": (line_turn("shoulder"), ABOVE),
        "elbow_angle_trophy": (joint("hitting", _ARM, "hitting_arm", flexion=False), _BENT),
        "elbow_off_shoulder_line": TURNS["off shoulder line"],
        "elbow_over_shoulders": (gaps.square_gap("hitting_elbow", gaps.elbow_on_shoulder_line,
                                                 gaps.along_shoulder_line, _HITTING),
                                 "seen square to shoulder line and spine"),
        "tip_to_tossing_hand": _TO_HAND,
        "tip_to_tossing_hand_ratio": _TO_HAND,
        "back_foot_drag": (feet.way("back_toe", "deepest_bend", "push_off", "path", ("back", "front")), ABOVE),
        "back_foot_drag_inward": (
            feet.way("back_toe", "deepest_bend", "push_off", "to the front foot", ("back", "front")), ABOVE),
        "back_toe_lift": (
            gaps.gap(side, gaps.below_by_value("back_toe"), "back_toe", "up", ("back_leg",)), SIDE),
        "com_rise": (
            gaps.gap(side, "mass@deepest_bend", "mass@push_off", "up", ("trunk", "front_leg")), SIDE),
        "wrist_below_elbow": (gaps.gap(side, "hitting_elbow", "hitting_wrist", "up", _SWING), SIDE),
        "tip_below_wrist": (gaps.gap(side, "hitting_wrist", "racket_tip", "up", _SWING), SIDE),
        "forearm_lay_back": TURNS["lay-back"],
        "contact_height": _HEIGHT,
        "contact_height_ratio": _HEIGHT,
        "contact_past_baseline": (gaps.past_line("met", None, _EDGE), SIDE),
        "contact_past_front_toe": (gaps.past_line("met", "front_toe@push_off", "front toe"), SIDE),
        "contact_beside_front_toe": (gaps.gap(behind, "front_toe@push_off", "met", "across", _ALL), BEHIND),
        "contact_ahead_of_head": (gaps.gap(side, "mid_ear", "met", "across", _SWING), SIDE),
        "contact_beside_head": (gaps.gap(behind, "mid_ear", "met", "across", _SWING), BEHIND),
        "elbow_flexion_contact": (joint("hitting", _ARM, "hitting_arm", flexion=True), _BENT),
        "shoulder_elevation_contact": TURNS["elevation"],
        "trunk_above_horizontal_contact": TURNS["above horizontal"],
        "tossing_wrist_to_trunk": (_line_gap("tossing_wrist", "mid_hip", "mid_shoulder", _TOSSING), SQUARE),
        "pronation_after_contact": TURNS["pronation"],
        "face_turn_after_contact": TURNS["face"],
        "landing_distance": (gaps.past_line(gaps.landing_toe, None, _EDGE), SIDE),
        "trunk_inclination_landing": TURNS["inclination"],
        "landing_sway": (feet.way("mass", "landing", None, "path", ("front",)), ABOVE),
        "foot_fault_clearance": (feet.clearance("baseline"), ABOVE),
        "centre_mark_clearance": (feet.clearance("centre mark"), ABOVE),
        "sideline_clearance": (feet.clearance("sideline"), ABOVE),
    }
)  # fmt: skip
"""Stored measure name -> its drawing, and from where it is seen."""


def drawing_of(result: Result, measure: Measure) -> Drawing | None:
    """The drawing of one measure, or None where it has no instant, no drawing, or its points are absent."""
    if measure.value is None or measure.t_s is None or measure.name not in DRAWINGS:
        return None
    with np.errstate(invalid="ignore"):  # absent points are NaN all the way, and left out in the end
        return DRAWINGS[measure.name][0](Pose(result, measure.t_s), measure)


def draw(result: Result, measure: Measure) -> Markup | None:
    """The same as inline SVG with a line that says from where it is seen."""
    drawing = drawing_of(result, measure)
    svg = None if drawing is None else drawing.svg(f"{measure.label}: {value_text(measure)}")
    if svg is None:
        return None
    return svg + Markup('<p class="seen">{}</p>').format(DRAWINGS[measure.name][1])
