"""What a measured serve says about itself when held against something known beforehand."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.errors import BadInput

PASSED, FAILED, UNTOLD = "agrees", "differs", "not told"


@dataclass(frozen=True, slots=True)
class Check:
    """One known quantity, measured again in this serve.

    value, u   as measured, in `unit`; None where it could not be
    expected   what it has to be, known to u_expected
    verdict    "agrees", "differs" or "not told"
    why        a sentence: what fits the difference, or why it was not told; "" where it agrees
    """

    name: str
    unit: str
    value: float | None
    u: float | None
    expected: float
    u_expected: float
    verdict: str
    why: str = ""

    def __post_init__(self) -> None:
        if self.verdict not in (PASSED, FAILED, UNTOLD):
            raise BadInput(f"check {self.name}: want a verdict that there is, got {self.verdict!r}")
        if (self.value is None) != (self.u is None) or (self.value is None) != (self.verdict == UNTOLD):
            raise BadInput(f"check {self.name}: want value, u and a verdict together, or none of them")
        if self.verdict != PASSED and not self.why:
            raise BadInput(f"check {self.name}: {self.verdict} without a reason")

    def sentence(self) -> str:
        """For a person: what was measured, what was expected, and what follows."""
        if self.value is None:
            return f"{self.name}: {self.verdict}; {self.why}"
        told = f"{self.name}: {self.value:.3g} ± {2 * (self.u or 0.0):.2g} {self.unit}".rstrip()
        told += f", {self.expected:.3g} expected: {self.verdict}"
        return f"{told}; {self.why}" if self.why else told
