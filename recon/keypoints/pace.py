"""Which frames of a clip the model looks at: a quick movement in each, a slow one now and then."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from recon.records import BODY

_ENDS = np.array(
    [k for k, n in enumerate(BODY) if n.split("_")[-1] in ("wrist", "index", "elbow", "knee", "ankle")]
)
_JITTER_S = 1e-4  # time stamps are rounded, to a thousandth of a second at the worst of usual files


@dataclass(frozen=True, kw_only=True, slots=True)
class PassOver:
    """Which frames need no look: what their neighbours in time tell as well.

    gap_s   the longest time between two looks; 0: every frame is looked at. But for the swing a body moves at
            less than 10 Hz (common practice in filtering serves), so 40 looks a second lose nothing
    most    frames in a row that are passed over at most: what recon.resample bridges
    fast    every frame is looked at while a limb's end moves by more than this share of the player's height
            from frame to frame, as the last two looks tell: some 5 m/s at 120 frames a second
    """

    gap_s: float = 0.0
    most: int = 2
    fast: float = 0.02

    def __post_init__(self) -> None:
        if self.gap_s < 0 or not 0 <= self.most <= 2 or not self.fast > 0:
            raise BadInput(f"pass over: want gap_s >= 0, most 0 to 2, fast > 0, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class Pace:
    """The last looks that saw the player, (t_s, uv_px (27, 2)), and the times of the frames passed since."""

    rule: PassOver
    looks: tuple[tuple[float, Array], ...] = ()
    passed_s: tuple[float, ...] = ()

    def looked(self, t_s: float, uv_px: Array) -> Pace:
        """After a look that saw the player."""
        return Pace(self.rule, (*self.looks[-1:], (t_s, uv_px)))

    def passed(self, t_s: float) -> Pace:
        """After a frame that was passed over."""
        return replace(self, passed_s=(*self.passed_s, t_s))

    def due(self, t_s: float) -> bool:
        """Whether the frame of that time wants a look: waiting for the next one would be too long."""
        if len(self.looks) < 2 or len(self.passed_s) >= self.rule.most:
            return True
        last_s = self.looks[-1][0]
        step_s = t_s - (self.passed_s[-1] if self.passed_s else last_s)
        return t_s + step_s - last_s > self.rule.gap_s + _JITTER_S or self._moves(step_s) > self.rule.fast

    def _moves(self, step_s: float) -> float:
        """How far the fastest end moves in that time, in heights of the player."""
        (before_s, before), (last_s, last) = self.looks
        speed = np.linalg.norm(last[_ENDS] - before[_ENDS], axis=1).max() / (last_s - before_s)
        return float(speed * step_s / max(np.ptp(last[:, 1]), 1.0))
