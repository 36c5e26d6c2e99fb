"""Screens set against published limits: side by side, flagged where a limit is passed, with grade and source.

A flag says that a professional might look; it is no diagnosis, and no finding rests on it. Centimetres of the
knee-to-wall screen are never turned into degrees: no published slope was found, and the ratio that is often
passed on as one is not a slope. Each is judged as it was measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from recon.bands import adult
from recon.screens.form import Screens, Sides

_CHISHOLM = "Chisholm et al. 2012, Physiother Can 64(4):347-355"
_MORENO = "Moreno-Pérez et al. 2016, Phys Ther Sport 19:43-48, 109 elite players"
_ELLENBECKER = "Ellenbecker et al. 2007, Am J Sports Med 35(8):1371-1376, as quoted in a later paper"
_PLISKY = (
    "Plisky et al. 2006, J Orthop Sports Phys Ther 36:911-919, 235 high-school basketball players, as quoted "
    "in a later paper"
)  # fmt: skip
_COUNTER = (
    "counter-evidence: no association of such cut-offs with injury in 169 male college basketball players "
    "(Sports 2019, 7(1):4); and two people who measure it differ by about 3.1 cm (standard error; "
    "Shaffer et al. 2013, as quoted in a later paper)"
)  # fmt: skip

YOUNG = (
    "Limits come from adults, or from players of high-school age. For a child or a growing player they may not "
    "hold; a professional who works with that age judges."
)  # fmt: skip
BESIDE = (
    "Screens were taken by hand and stand beside the findings: they cause none and explain none. A flag is no "
    "diagnosis; it names what a licensed professional might look at."
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ScreenLine:
    """One screen as a page shows it. flag: what passed a limit, "" where nothing did."""

    label: str
    left: str
    right: str
    apart: str
    flag: str
    grade: str
    source: str
    beside: str


@dataclass(frozen=True, slots=True)
class _Screen:
    """A screen and its limits. apart: difference of the sides that is flagged; strict: only beyond it.

    low: value under which a side is flagged, for adults only. source is that of `apart`, low_source of `low`.
    """

    label: str
    suffix: str
    of: Callable[[Screens], Sides | None]
    apart: float | None = None
    strict: bool = False
    low: float | None = None
    grade: str = ""
    source: str = ""
    low_source: str = ""
    beside: str = ""


_UNVERIFIED = "no reference is printed: none was found that could be checked"
_SCREENS = (
    _Screen(
        "knee to wall, big toe to wall", " cm", lambda s: s.knee_to_wall_cm, apart=1.5,
        grade="A, as a limit of measuring",
        source=f"the smallest difference between the legs that measuring can tell is 1.5 cm ({_CHISHOLM})",
        beside="judged in centimetres, not turned into degrees",
    ),
    _Screen(
        "knee to wall, angle of the shank", "°", lambda s: s.shank_angle_deg, apart=5.0,
        grade="A, as a limit of measuring",
        source="smallest change that measuring can tell, 4.6 to 4.7° as quoted in a later paper, rounded up",
        beside="for an angle that was itself measured",
    ),
    _Screen(
        "hip internal rotation", "°", lambda s: s.hip_internal_rotation_deg, apart=10.0, strict=True, low=25.0,
        grade="B",
        source=f"more than 10° apart is flagged ({_ELLENBECKER})",
        low_source=f"below 25° is called restricted ({_MORENO}; 30 % of the men were)",
    ),
    _Screen(
        "hip external rotation", "°", lambda s: s.hip_external_rotation_deg, apart=10.0, strict=True, grade="B",
        source=f"more than 10° apart is flagged ({_ELLENBECKER})",
    ),
    _Screen("standing on one leg, eyes open", " s", lambda s: s.stance_eyes_open_s, beside=_UNVERIFIED),
    _Screen("standing on one leg, eyes closed", " s", lambda s: s.stance_eyes_closed_s, beside=_UNVERIFIED),
    _Screen(
        "reach to the front", " cm", lambda s: s.reach_anterior_cm, apart=4.0, strict=True,
        grade="C, evidence mixed", source=f"more than 4 cm apart is flagged ({_PLISKY})", beside=_COUNTER,
    ),
    _Screen("reach to the back and inside", " cm", lambda s: s.reach_posteromedial_cm, beside=_UNVERIFIED),
    _Screen("reach to the back and outside", " cm", lambda s: s.reach_posterolateral_cm, beside=_UNVERIFIED),
    _Screen(
        "the three reaches over limb length", " %", lambda s: _composite(s),
        beside="sum of the three over three limb lengths; no limit is set against it",
    ),
)  # fmt: skip


def screen_lines(screens: Screens, age_years: float | None) -> tuple[ScreenLine, ...]:
    """Every screen that was taken, in a fixed order; no value of adults is held against a player under 16.

    Nor against one of unknown age.
    """
    rows = [(screen, screen.of(screens)) for screen in _SCREENS]
    return tuple(_line(screen, sides, adult(age_years)) for screen, sides in rows if sides is not None)


def _line(screen: _Screen, sides: Sides, grown: bool) -> ScreenLine:
    def text(value: float | None) -> str:
        return "not taken" if value is None else f"{value:.1f}{screen.suffix}"

    flags = []
    if screen.low is not None and grown:
        low = [
            name
            for name, v in (("left", sides.left), ("right", sides.right))
            if v is not None and v < screen.low
        ]
        flags += [f"{' and '.join(low)} below {screen.low:g}{screen.suffix}"] if low else []
    if screen.apart is not None and sides.apart is not None and _passed(sides.apart, screen):
        flags.append(f"left and right {sides.apart:.1f}{screen.suffix} apart")
    sources = [screen.low_source if grown else "", screen.source]
    beside = screen.beside
    if screen.low is not None and not grown:
        beside = "no limit of adults is held against a side under 16 or at unknown age"
    return ScreenLine(
        screen.label, text(sides.left), text(sides.right), text(sides.apart) if sides.apart is not None else "",
        "; ".join(flags), screen.grade, "; ".join(s for s in sources if s), beside,
    )  # fmt: skip


def _passed(apart: float, screen: _Screen) -> bool:
    """At the limit or beyond; strict ones beyond only. Binary digits of 12.1 − 10.6 must not decide."""
    assert screen.apart is not None
    slack = 1e-9
    return apart > screen.apart + slack if screen.strict else apart >= screen.apart - slack


def _composite(s: Screens) -> Sides | None:
    """Sum of the three reaches over three limb lengths, percent, per side where all four were taken."""
    needed = (s.reach_anterior_cm, s.reach_posteromedial_cm, s.reach_posterolateral_cm, s.limb_length_cm)
    sides: dict[str, float] = {}
    for side in ("left", "right"):
        values = [getattr(n, side) for n in needed if n is not None]
        if len(values) == len(needed) and None not in values:
            sides[side] = 100.0 * sum(values[:3]) / (3.0 * values[3])
    return Sides(**sides) if sides else None
