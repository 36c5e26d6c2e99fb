"""What the page says besides numbers: what each measure means, how well founded it is, cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from recon.bands import bands_for
from recon.definitions import DEFINITIONS, EVIDENCE, GRADES
from recon.records import Measure

GRADE_MEANS: Mapping[str, str] = MappingProxyType({GRADES[grade]: means for grade, means in EVIDENCE.items()})


@dataclass(frozen=True, slots=True)
class Meaning:
    """What one measure means. grade: words of GRADES. beside: what to set beside it, if anything."""

    what: str
    grade: str
    beside: str = ""


_RULES = "Rules of Tennis, rules 16 and 18"
_LIMITS: Mapping[str, str] = MappingProxyType(
    {
        "foot_fault_clearance": "the limit is 0 cm: no foot may touch the baseline or the court before contact",
        "centre_mark_clearance": "the limit is 0 cm: no foot may touch the centre mark's continuation",
        "sideline_clearance": "the limit is 0 cm: no foot may touch ground outside the sideline's continuation",
    }
)
_NOT_SHOWN = (
    "published values are of adults: they stand here where the session gives an age of 16 years or more"
)


def meaning_of(name: str, age_years: float | None = None) -> Meaning:
    """What a measure means, with what was published about it where the player's age allows."""
    if name not in DEFINITIONS:
        return Meaning("", GRADES["definition"])
    d = DEFINITIONS[name]
    if name in _LIMITS:
        return Meaning(d.means, GRADES[d.evidence], f"{_LIMITS[name]} ({_RULES})")
    bands = bands_for(name, age_years)
    if d.evidence != "published":
        return Meaning(d.means, GRADES[d.evidence], d.beside)
    if not bands:
        return Meaning(d.means, GRADES[d.evidence], _NOT_SHOWN)
    told = "; ".join(f"{band.text}{': ' + band.caution if band.caution else ''}" for band in bands)
    return Meaning(d.means, GRADES[d.evidence], f"{told}. ± is one standard deviation between players")


WHAT_HELPS: Mapping[str, str] = MappingProxyType(
    {
        "pixels": "a third camera, more light, cameras nearer to the player",
        "calibration": "more board positions over the whole picture, and the court's lines in view",
        "clocks": "more frames a second, or a common trigger",
        "joint centres": "nothing that cameras do; it is alike in every serve of one player, so that it mostly "
        "drops out of differences",
        "event times": "more frames a second, and several serves",
        "shoe outline": "a look at the stills",
        "air": "nothing that matters",
        "standing height": "a height measured with care",
        "posture": "nothing that cameras do; it is alike in alike serves of one player",
        "smoothing": "more frames a second",
    }
)
"""Source of uncertainty -> what would shrink its share."""


def mostly_from(m: Measure) -> tuple[str, str]:
    """(the source that makes up most of u, what would shrink it); empty where there is none."""
    if not m.sources:
        return "", ""
    source = max(m.sources, key=lambda name: m.sources[name])
    return source, WHAT_HELPS.get(source, "")


_PAIN = ("Pain first", "Pain or injury goes to a licensed professional before any change of technique or load.")
_LOAD = ("Load", "Changing a serve loads shoulder, back and legs in new ways: raise the number and speed of "
         "serves step by step.")  # fmt: skip
_MINORS = ("Minors", "Filming or keeping footage of minors needs the consent of those who care for them, and "
           "local rules apply.")  # fmt: skip
CAUTIONS: tuple[tuple[str, str], ...] = (
    _PAIN,
    ("Not a diagnosis", "This page describes a movement. It does not say why a body moves that way, nor "
     "whether anything is wrong with it."),
    ("One serve", "One serve shows one serve. Film several before drawing a conclusion, and change one thing "
     "at a time."),
    _LOAD,
    _MINORS,
    ("On court", "Stands and cables stay outside the run-off, weighted and taped down; balls are cleared "
     "before every serve."),
)  # fmt: skip
SERIES_CAUTIONS: tuple[tuple[str, str], ...] = (
    _PAIN,
    ("Not a diagnosis", "This page describes movements. It does not say why a body moves that way, nor "
     "whether anything is wrong with it."),
    ("Like with like", "Only serves of one kind, on one rig, measured in one way, compare well; what "
     "differs is named above."),
    ("A difference is not a gain", "That something changed does not say that it got better, nor what "
     "changed it."),
    _LOAD,
    _MINORS,
)  # fmt: skip

NEVER_MEASURED: tuple[tuple[str, str], ...] = (
    ("Tilt of the pelvis, forwards or backwards", "the points on the body do not show it"),
    ("Movement of the shoulder blade", "it lies under skin and clothes; no point follows it"),
    ("Twist of the thigh with a nearly straight knee", "below 15° of knee bend the hinge gives no direction"),
    ("Forces on joints and ground", "cameras see movement, not force"),
)
