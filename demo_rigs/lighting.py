"""Where the light of an invented day comes from, and how strong it is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput

_SUN_COLOUR, _SKY_COLOUR = (1.0, 0.97, 0.92), (0.85, 0.92, 1.0)
_SKY = (((-0.5, -0.6, 0.6), 0.26), ((0.2, 0.8, 0.7), 0.20))  # two patches of sky: direction, strength


@dataclass(frozen=True, kw_only=True, slots=True)
class Lighting:
    """Light of a scene.

    sun       direction to the sun in the court frame, any length
    strength  of the sun; sky: factor on both patches of sky; ambient: factor on what needs no direction
    shade     how much of the ground's light a shadow takes away
    court     factor on the brightness of court and surroundings
    """

    sun: tuple[float, float, float] = (0.35, -0.55, 1.0)
    strength: float = 0.60
    sky: float = 1.0
    ambient: float = 1.0
    shade: float = 0.50
    court: float = 1.0

    def __post_init__(self) -> None:
        if not self.sun[2] > 0:
            raise BadInput(f"lighting: want a sun above the ground, got the direction {self.sun}")

    def sun_direction(self) -> Array:
        """Unit vector (3,) to the sun."""
        return np.array(self.sun) / np.linalg.norm(self.sun)

    def lamps(self) -> Iterator[tuple[Array, float, tuple[float, float, float]]]:
        """Direction (3,), strength and colour of sun and sky."""
        yield self.sun_direction(), self.strength, _SUN_COLOUR
        for direction, strength in _SKY:
            yield np.array(direction), strength * self.sky, _SKY_COLOUR


NOON = Lighting()
