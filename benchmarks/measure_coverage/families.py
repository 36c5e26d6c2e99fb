"""Which measures are judged together: what a person would ask about in one question."""

from __future__ import annotations

from fnmatch import fnmatchcase

FAMILIES: dict[str, tuple[str, ...]] = {
    "spine plane": ("spine_plane_*",),
    "hip": ("hip_past_*", "midhip_past_*"),
    "foot fault": ("foot_fault_clearance", "centre_mark_clearance", "sideline_clearance"),
    "front foot": ("front_foot_*", "front_toe_path", "front_heel_path", "front_toe_slide", "front_heel_slide"),
    "stance": ("stance_*", "back_foot_step", "back_foot_yaw_stance", "weight_*",
               "front_toe_clearance"),
    "toss": ("tossing_elbow_*", "lift_start_*", "toss_sweep", "toss_apex_*", "toss_drift_*", "release_*",
             "knee_bend_onset_*"),
    "arms": ("elbow_angle_trophy", "elbow_off_shoulder_line", "elbow_over_shoulders", "tip_to_tossing_hand*"),
    "knees and ankles": ("*_knee_flexion_*", "*_ankle_dorsiflexion_*"),
    "trunk": ("trunk_inclination_trophy", "trunk_lean_*", "hip_shoulder_separation_*", "hip_line_turn_*",
              "shoulder_line_turn_*"),
    "drive": ("back_foot_drag*", "back_toe_lift", "*_knee_extension_speed", "com_rise*", "midhip_rise*"),
    "drop": ("wrist_below_elbow", "tip_below_wrist", "forearm_lay_back"),
    "sequence": ("pelvis_turn_speed*", "trunk_turn_speed*", "elbow_extension_speed*",
                 "shoulder_rotation_speed*", "tip_speed_peak*"),
    "contact": ("contact_*", "elbow_flexion_contact", "shoulder_elevation_contact",
                "trunk_above_horizontal_contact", "tip_speed_contact", "tossing_wrist_to_trunk",
                "pronation_after_contact", "face_turn_after_contact"),
    "landing": ("landing_*", "trunk_inclination_landing"),
    "events": ("event_*",),
    "ball": ("ball_speed", "toss_gravity"),
    "clocks": ("clock_*",),
}  # fmt: skip
"""Family → patterns of stored names. Events, gravity and clocks are judged like measures: event_NAME is an
instant in seconds, toss_gravity the fitted fall, clock_CAMERA an offset."""


def family_of(name: str) -> str:
    """The first family with a pattern that fits; "none" where there is none, which a test forbids."""
    return next((f for f, patterns in FAMILIES.items() if any(fnmatchcase(name, p) for p in patterns)), "none")
