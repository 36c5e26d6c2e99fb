"""What a ball is like: its size, its mass, how the air slows it, and its colours."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calibration.errors import BadInput

_AIR_KG_M3, _U_AIR = 1.20, 0.04  # 20 °C at sea level; its share of u: 10 °C or 400 m up (ideal gas)
_DRAG, _U_DRAG = 0.525, 0.027  # drag coefficient 0.50 to 0.55, evenly likely: half width / sqrt(3), as a share


@dataclass(frozen=True, kw_only=True, slots=True)
class BallKind:
    """One kind of ball: limits of its diameter and mass by the rules, each value between them as likely.

    hues_deg  of its cover, where it has others than the session's ball
    """

    diameter_m: tuple[float, float]
    mass_kg: tuple[float, float]
    hues_deg: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        for low, high in (self.diameter_m, self.mass_kg):
            if not 0 < low < high:
                raise BadInput(f"ball: want limits above 0 in order, got {self}")

    @property
    def size_m(self) -> tuple[float, float]:
        """Diameter and its standard uncertainty."""
        return _middle(self.diameter_m)

    @property
    def drag_per_m(self) -> tuple[float, float]:
        """Deceleration over speed squared: air density x drag coefficient x area / (2 mass), and its u."""
        (d, u_d), (m, u_m) = _middle(self.diameter_m), _middle(self.mass_kg)
        k = _AIR_KG_M3 * _DRAG * np.pi * d**2 / 4 / (2 * m)
        return float(k), float(k * np.sqrt(_U_AIR**2 + _U_DRAG**2 + (2 * u_d / d) ** 2 + (u_m / m) ** 2))


def _middle(limits: tuple[float, float]) -> tuple[float, float]:
    low, high = limits
    return (low + high) / 2, (high - low) / np.sqrt(12)


BALL_KINDS: Mapping[str, BallKind] = MappingProxyType(
    {
        "full": BallKind(diameter_m=(0.0654, 0.0686), mass_kg=(0.0560, 0.0594)),
        "green": BallKind(diameter_m=(0.0630, 0.0686), mass_kg=(0.0470, 0.0515), hues_deg=(110.0,)),
        "orange": BallKind(diameter_m=(0.0600, 0.0686), mass_kg=(0.0360, 0.0469), hues_deg=(25.0,)),
        "red": BallKind(diameter_m=(0.0700, 0.0900), mass_kg=(0.0250, 0.0490), hues_deg=(2.0,)),
    }
)
"""ITF Rules of Tennis, appendices on balls: types 1 and 2, and the three stages for beginners (red: felt and
foam). Stage balls have a yellow half or a coloured dot as a rule (common practice), so both hues are theirs."""

USUAL_KIND = "full"
