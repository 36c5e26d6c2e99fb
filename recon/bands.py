"""Published reference values of adults, typed once and nowhere else: report and docs take them from here.

Only values that were read in the source itself, or in its abstract, stand here. A band never says what is
good: it says what was found in the people who were measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calibration.errors import BadInput

ADULT_YEARS = 16.0
"""From this age on adults' values are set beside a player's; for younger players, or of unknown age, never."""

_DEG = float(np.pi / 180)
_UNIT_OF = {"deg": ("rad", _DEG), "deg/s": ("rad/s", _DEG), "%": ("1", 0.01), "s": ("s", 1.0)}


@dataclass(frozen=True, slots=True)
class Band:
    """One published value of one measure.

    mean, sd   as printed in the source, in `printed_unit`; sd None where only one value was published
    grade      "A" pooled or group values with a spread; "B" one value without a spread, or one that needs
               fast cameras; "C" of another convention than ours, never used as a limit
    group      whom it stands for, as in "elite players"
    sample     how many were measured, and how
    caution    what to keep in mind beside it; "" where nothing special
    """

    measure: str
    mean: float
    sd: float | None
    printed_unit: str
    group: str
    sample: str
    source: str
    grade: str
    caution: str = ""

    def __post_init__(self) -> None:
        if self.printed_unit not in _UNIT_OF:
            raise BadInput(
                f"band of {self.measure}: want a unit of {list(_UNIT_OF)}, got {self.printed_unit!r}"
            )
        if self.sd is not None and not self.sd > 0:
            raise BadInput(f"band of {self.measure}: want a positive standard deviation, got {self.sd}")

    @property
    def unit(self) -> str:
        """The SI unit of `value`, `low` and `high`."""
        return _UNIT_OF[self.printed_unit][0]

    @property
    def value(self) -> float:
        """The published mean, SI."""
        return self.mean * _UNIT_OF[self.printed_unit][1]

    @property
    def spread(self) -> float | None:
        """One standard deviation between players, SI; None where none was published."""
        return None if self.sd is None else self.sd * _UNIT_OF[self.printed_unit][1]

    @property
    def low(self) -> float | None:
        """Mean less one standard deviation, SI: about one player in six lies below."""
        return None if self.spread is None else self.value - self.spread

    @property
    def high(self) -> float | None:
        """Mean and one standard deviation, SI: about one player in six lies above."""
        return None if self.spread is None else self.value + self.spread

    @property
    def text(self) -> str:
        """As a person reads it: '64.5 ± 9.7°'-like, with whom and whence; ± is one standard deviation."""
        if self.printed_unit == "%":
            figures = f"{self.mean / 100:.3f}" + ("" if self.sd is None else f" ± {self.sd / 100:.3f}")
        else:
            suffix = {"deg": "°", "deg/s": "°/s", "s": " s"}[self.printed_unit]
            figures = f"{self.mean:g}" if self.sd is None else f"{self.mean:.1f} ± {self.sd:.1f}"
            figures += suffix
        return f"{figures}, {self.group} ({self.sample}; {self.source})"


_REVIEW = "Jacquier-Bret & Gorce 2024, Front Sports Act Living 6:1432030"
_OLYMPIC = "Fleisig et al. 2003, Sports Biomech 2(1):51-64"
_LEVELS = "Girard et al. 2005, Med Sci Sports Exerc 37(6):1021-1029"
_PLAYERS = "players of published studies"
_POOLED = "pooled over published studies, 27 papers in the review"
_MEN, _WOMEN = "Olympic players, men", "Olympic players, women"
_GAMES = "20 Olympic players, men and women, filmed in singles matches by two cameras at 200/s"
_GROUPS = "32 players in groups by level"
_FAST = "a peak of this kind needs 200 frames a second or more to be compared"

_ROWS = (
    Band("front_knee_flexion_trophy", 64.5, 9.7, "deg", _PLAYERS, _POOLED, _REVIEW, "A"),
    Band("trunk_inclination_trophy", 25.0, 7.1, "deg", _PLAYERS, _POOLED, _REVIEW, "A"),
    Band("shoulder_elevation_contact", 110.7, 16.9, "deg", _PLAYERS, _POOLED, _REVIEW, "A"),
    Band("shoulder_elevation_contact", 101.0, None, "deg", "Olympic players", _GAMES, _OLYMPIC, "B"),
    Band("elbow_flexion_contact", 30.1, 15.9, "deg", _PLAYERS, _POOLED, _REVIEW, "A"),
    Band("contact_height_ratio", 149.2, 2.7, "%", "elite players", _GROUPS, _LEVELS, "A"),
    Band("contact_height_ratio", 142.6, 4.7, "%", "beginners", _GROUPS, _LEVELS, "A"),
    Band("trunk_above_horizontal_contact", 48.0, None, "deg", "Olympic players", _GAMES, _OLYMPIC, "B"),
    Band("forearm_lay_back", 130.1, 26.5, "deg", _PLAYERS, _POOLED, _REVIEW, "C",
         "external rotation of the shoulder at the racket low point: conventions differ from study to study, "
         "and from ours; not to be used as a limit"),
    Band("forearm_lay_back", 172.0, None, "deg", "Olympic players", _GAMES, _OLYMPIC, "C",
         "largest external rotation of the shoulder, in another convention; not to be used as a limit"),
    Band("trunk_turn_speed_before_contact", 0.058, None, "s", _MEN, _GAMES, _OLYMPIC, "B"),
    Band("trunk_turn_speed_before_contact", 0.075, None, "s", _WOMEN, _GAMES, _OLYMPIC, "B"),
    Band("pelvis_turn_speed", 440.0, None, "deg/s", "Olympic players", _GAMES, _OLYMPIC, "B", _FAST),
    Band("trunk_turn_speed", 870.0, None, "deg/s", "Olympic players", _GAMES, _OLYMPIC, "B", _FAST),
    Band("elbow_extension_speed", 1510.0, None, "deg/s", "Olympic players", _GAMES, _OLYMPIC, "B", _FAST),
    Band("shoulder_rotation_speed", 2420.0, None, "deg/s", _MEN, _GAMES, _OLYMPIC, "B", _FAST),
    Band("shoulder_rotation_speed", 1370.0, None, "deg/s", _WOMEN, _GAMES, _OLYMPIC, "B", _FAST),
)  # fmt: skip

BANDS = MappingProxyType(
    {name: tuple(b for b in _ROWS if b.measure == name) for name in dict.fromkeys(b.measure for b in _ROWS)}
)
"""Measure name -> its published values; the one to compare with first stands first."""


def adult(age_years: float | None) -> bool:
    """Whether adults' values may be set beside a player of this age; an unknown age is not adult."""
    return age_years is not None and age_years >= ADULT_YEARS


def bands_for(measure: str, age_years: float | None) -> tuple[Band, ...]:
    """All published values to set beside a measure; none for players under 16 or of unknown age."""
    return BANDS.get(measure, ()) if adult(age_years) else ()


def band_for(measure: str, age_years: float | None) -> Band | None:
    """The first of them with a spread and in our convention; None without one, under 16 and at unknown age."""
    usable = (b for b in bands_for(measure, age_years) if b.sd is not None and b.grade != "C")
    return next(usable, None)
