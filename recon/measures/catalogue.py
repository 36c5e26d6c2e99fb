"""The list of measures. To add one: write its function, add its row, document it in docs/measures.md."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from recon.measures import headline, joints
from recon.measures.reading import Athlete, Definition, Reading

_ROWS = (
    Definition("spine_plane_min", "Racket tip to spine plane, smallest", "m", "common practice",
               headline.spine_plane_min),
    Definition("spine_plane_at_trophy", "Racket tip to spine plane at trophy", "m", "common practice",
               headline.spine_plane_at_trophy),
    Definition("hip_past_baseline_max", "Front hip past the baseline, largest", "m", "common practice",
               headline.hip_past_baseline_max),
    Definition("hip_past_baseline_trophy", "Front hip past the baseline at trophy", "m", "common practice",
               headline.hip_past_baseline_at("trophy")),
    Definition("hip_past_baseline_contact", "Front hip past the baseline at contact", "m", "common practice",
               headline.hip_past_baseline_at("contact")),
    Definition("midhip_past_baseline_max", "Middle of the hips past the baseline, largest", "m",
               "common practice", headline.midhip_past_baseline_max),
    Definition("hip_past_front_toe_max", "Front hip past the front toe, largest", "m", "common practice",
               headline.hip_past_front_toe_max),
    Definition("front_foot_yaw_stance", "Front foot's heading in the stance", "rad", "common practice",
               headline.front_foot_yaw_at("stance")),
    Definition("front_foot_yaw_deepest_bend", "Front foot's heading at deepest bend", "rad", "common practice",
               headline.front_foot_yaw_at("deepest_bend")),
    Definition("front_foot_yaw_push_off", "Front foot's heading at push-off", "rad", "common practice",
               headline.front_foot_yaw_at("push_off")),
    Definition("front_foot_turn", "Front foot's turn, stance to push-off", "rad", "common practice",
               headline.front_foot_turn),
    Definition("elbow_angle_trophy", "Hitting elbow at trophy", "rad", "common practice",
               joints.elbow_angle_trophy),
    Definition("front_knee_flexion_trophy", "Front knee bend at trophy", "rad", "published",
               joints.knee_flexion_at("front", "trophy")),
    Definition("back_knee_flexion_trophy", "Back knee bend at trophy", "rad", "definition",
               joints.knee_flexion_at("back", "trophy")),
    Definition("front_knee_flexion_deepest", "Front knee bend at deepest bend", "rad", "definition",
               joints.knee_flexion_at("front", "deepest_bend")),
    Definition("back_knee_flexion_deepest", "Back knee bend at deepest bend", "rad", "definition",
               joints.knee_flexion_at("back", "deepest_bend")),
    Definition("foot_fault_clearance", "Foot clear of the baseline", "m", "published",
               joints.foot_fault_clearance),
    Definition("contact_height", "Height of contact", "m", "definition", joints.contact_height),
    Definition("contact_height_ratio", "Height of contact over standing height", "1", "published",
               joints.contact_height_ratio),
)  # fmt: skip

MEASURES: Mapping[str, Definition] = MappingProxyType({row.name: row for row in _ROWS})

__all__ = ["MEASURES", "Athlete", "Definition", "Reading"]
