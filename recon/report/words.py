"""What the page says besides numbers: what each measure means, how well founded it is, cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

GRADES: Mapping[str, str] = MappingProxyType(
    {
        "P": "published value",
        "C": "common practice",
        "D": "definition only",
    }
)
GRADE_MEANS: Mapping[str, str] = MappingProxyType(
    {
        "published value": "there is a published value, with its source, to set beside this one",
        "common practice": "coaches commonly look at it; no published value says what is good",
        "definition only": "we define and measure it; nothing here says what is good",
    }
)


@dataclass(frozen=True, slots=True)
class Meaning:
    """What one measure means. grade: a key of GRADES. beside: the published value to set beside it, if any."""

    what: str
    grade: str
    beside: str = ""


_RULES = "Rules of Tennis, rules 16 and 18"
_LEVELS = "Girard et al. 2005, Med Sci Sports Exerc 37(6):1021-1029"
_REVIEW = "Jacquier-Bret & Gorce 2024, Front Sports Act Living 6:1432030, pooled over published studies"

_SPINE = (
    "How far the racket tip is from the plane that runs through the spine and straight ahead of the chest. "
    "Above zero the tip is still on the hitting side; below zero it has crossed to the far side."
)
_HIP = (
    "How far the hip joint of the front leg is past the rear edge of the baseline, straight above the ground. "
    "A hip over the line is never a fault by itself."
)
_YAW = "Where the front foot points: 0° along the baseline to the hitting side, 90° straight at the net."
_KNEE = "Bend of the knee from a straight leg: 0° is straight, 90° a right angle."

MEANINGS: Mapping[str, Meaning] = MappingProxyType(
    {
        "spine_plane_min": Meaning(f"{_SPINE} The smallest value between trophy and racket low point.", "C"),
        "spine_plane_at_trophy": Meaning(_SPINE, "C"),
        "hip_past_baseline_max": Meaning(f"{_HIP} The largest value from ball release to push-off.", "C"),
        "hip_past_baseline_trophy": Meaning(_HIP, "C"),
        "hip_past_baseline_contact": Meaning(_HIP, "C"),
        "midhip_past_baseline_max": Meaning(
            "The same for the point midway between both hip joints, from ball release to push-off.", "C"
        ),
        "hip_past_front_toe_max": Meaning(
            "How far the front hip is ahead of the front toe, towards the net: the same movement, without "
            "regard to where the player stood.", "C",
        ),
        "front_foot_turn": Meaning(
            "How far the front foot turned on the ground between the stance and push-off. A positive value "
            "turns the toes towards the net.", "C",
        ),
        "front_foot_yaw_stance": Meaning(_YAW, "C"),
        "front_foot_yaw_deepest_bend": Meaning(_YAW, "C"),
        "front_foot_yaw_push_off": Meaning(_YAW, "C"),
        "elbow_angle_trophy": Meaning(
            "The angle inside the hitting elbow at the trophy position: 180° is a straight arm.", "C",
            "commonly about a right angle",
        ),
        "front_knee_flexion_trophy": Meaning(
            f"{_KNEE} At the trophy position.", "P",
            f"published for the front knee at the trophy position: 64.5 ± 9.7°, mean and one standard "
            f"deviation between players ({_REVIEW})",
        ),
        "back_knee_flexion_trophy": Meaning(f"{_KNEE} At the trophy position.", "D"),
        "front_knee_flexion_deepest": Meaning(f"{_KNEE} At the deepest bend.", "D"),
        "back_knee_flexion_deepest": Meaning(f"{_KNEE} At the deepest bend.", "D"),
        "foot_fault_clearance": Meaning(
            "The smallest gap between any part of a shoe on the ground and the rear edge of the baseline, from "
            "the start of the serve to contact. Only touching the line or the court counts as a foot fault.",
            "P", f"the limit is 0 cm: no foot may touch the baseline or the court before contact ({_RULES})",
        ),
        "contact_height": Meaning(
            "Height above the ground of the middle of the racket head at contact with the ball.", "D"
        ),
        "contact_height_ratio": Meaning(
            "Contact height divided by standing height.", "P",
            f"published: 1.492 ± 0.027 in an elite group and 1.426 ± 0.047 in beginners, mean and one standard "
            f"deviation ({_LEVELS})",
        ),
    }
)  # fmt: skip
_OTHER = Meaning("", "D")


def meaning_of(name: str) -> Meaning:
    """What a measure means; for one without an entry here, nothing, graded as definition only."""
    return MEANINGS.get(name, _OTHER)


CAUTIONS: tuple[tuple[str, str], ...] = (
    ("Pain first", "Pain or injury goes to a licensed professional before any change of technique or load."),
    ("Not a diagnosis", "This page describes a movement. It does not say why a body moves that way, nor "
     "whether anything is wrong with it."),
    ("One serve", "One serve shows one serve. Film several before drawing a conclusion, and change one thing "
     "at a time."),
    ("Load", "Changing a serve loads shoulder, back and legs in new ways: raise the number and speed of "
     "serves step by step."),
    ("Minors", "Filming or keeping footage of minors needs the consent of those who care for them, and local "
     "rules apply."),
    ("On court", "Stands and cables stay outside the run-off, weighted and taped down; balls are cleared "
     "before every serve."),
)  # fmt: skip

NEVER_MEASURED: tuple[tuple[str, str], ...] = (
    ("Tilt of the pelvis, forwards or backwards", "the points on the body do not show it"),
    ("Movement of the shoulder blade", "it lies under skin and clothes; no point follows it"),
    ("Twist of the thigh with a nearly straight knee", "below 15° of knee bend the hinge gives no direction"),
    ("Forces on joints and ground", "cameras see movement, not force"),
)
