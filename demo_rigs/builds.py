"""Body shapes in a few words, turned into amounts of the body's shape targets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product
from types import MappingProxyType

from calibration.errors import BadInput

_EVEN = MappingProxyType({"african": 1 / 3, "asian": 1 / 3, "caucasian": 1 / 3})


@dataclass(frozen=True, kw_only=True, slots=True)
class Build:
    """A body shape between the mesh's prototypes.

    female, child, old   0 … 1: share of that prototype; what child and old leave is a young adult
    muscle, weight, tall −1 … 1 from least to most, 0 the average (tall changes proportions, not height)
    origins              shares of the mesh's three prototypes, adding up to 1
    """

    female: float
    child: float = 0.0
    old: float = 0.0
    muscle: float = 0.0
    weight: float = 0.0
    tall: float = 0.0
    origins: Mapping[str, float] = field(default_factory=lambda: _EVEN)

    def __post_init__(self) -> None:
        shares = (self.female, self.child, self.old, 1 - self.child - self.old)
        signed = (self.muscle, self.weight, self.tall)
        if min(shares) < 0 or max(shares) > 1 or max(map(abs, signed)) > 1:
            raise BadInput(f"build: want shares in 0 … 1 and muscle, weight, tall in −1 … 1, got {self}")

    def targets(self) -> dict[str, float]:
        """Shape target → amount for load_body: products of the shares, as the targets are meant."""
        sexes = {"female": self.female, "male": 1 - self.female}
        ages = {"child": self.child, "old": self.old, "young": 1 - self.child - self.old}
        muscles, weights = _levels("muscle", self.muscle), _levels("weight", self.weight)
        end = "maxheight" if self.tall > 0 else "minheight"
        out: dict[str, float] = {}
        for (sex, a), (age, b) in product(sexes.items(), ages.items()):
            for origin, c in self.origins.items():
                out[f"macrodetails/{origin}-{sex}-{age}"] = a * b * c
            for (muscle, m), (weight, w) in product(muscles.items(), weights.items()):
                form = f"{sex}-{age}-{muscle}-{weight}"
                out[f"macrodetails/universal-{form}"] = a * b * m * w
                out[f"macrodetails/height/{form}-{end}"] = a * b * m * w * abs(self.tall)
        return {name: amount for name, amount in out.items() if amount > 0}


def _levels(what: str, x: float) -> dict[str, float]:
    """Shares of least, average and most."""
    return {f"min{what}": max(-x, 0.0), f"average{what}": 1 - abs(x), f"max{what}": max(x, 0.0)}
