"""Names and units of all measures that are defined, for rules that speak of some not in the catalogue yet.

Once the catalogue holds them all, tests take its own and this file goes (test_findings.py says when).
"""

from __future__ import annotations

from recon.measures.catalogue import MEASURES

_PLANNED = {
    "rad": "front_foot_turn_largest tossing_elbow_mean tossing_elbow_min toss_sweep trunk_inclination_trophy "
    "trunk_inclination_landing elbow_flexion_contact shoulder_elevation_contact trunk_above_horizontal_contact "
    "forearm_lay_back",
    "m": "front_toe_slide front_heel_slide back_foot_drag com_rise landing_sway",
    "s": "knee_bend_onset_after_release landing_time_to_settled trunk_turn_speed_before_contact",
    "1": "tip_to_tossing_hand_ratio",
    "rad/s": "pelvis_turn_speed trunk_turn_speed elbow_extension_speed shoulder_rotation_speed",
}


def planned_units() -> dict[str, str]:
    """Measure name -> SI unit: the catalogue's, and those still to come."""
    return {n: unit for unit, names in _PLANNED.items() for n in names.split()} | {
        name: d.unit for name, d in MEASURES.items()
    }


def missing_from_catalogue() -> set[str]:
    """Which of them the catalogue does not hold yet."""
    return {n for names in _PLANNED.values() for n in names.split()} - set(MEASURES)
