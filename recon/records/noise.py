"""How the error of a followed point is made up: what is new every frame, what lingers, and what stays."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.errors import BadInput


@dataclass(frozen=True, kw_only=True, slots=True)
class NoiseShape:
    """Shares of the variance sigma_px² of one point in one view; they add up to 1.

    white    independent from frame to frame
    slow     wanders with the 1/e time slow_s (a first-order Markov process)
    bias     the same through the whole clip, drawn anew for every view
    slow_s   seconds
    """

    white: float = 1.0
    slow: float = 0.0
    bias: float = 0.0
    slow_s: float = 0.11

    def __post_init__(self) -> None:
        shares = (self.white, self.slow, self.bias)
        if min(shares) < 0 or abs(sum(shares) - 1) > 1e-6 or not self.slow_s > 0:
            raise BadInput(f"noise shape: want shares >= 0 that add up to 1 and slow_s > 0, got {self}")


WHITE = NoiseShape()

DETECTED = NoiseShape(white=0.01, slow=0.61, bias=0.38, slow_s=0.11)
"""A point found by the pose landmark model. First values, from one rendered player: 0.4 px of white jitter in
3.4–5.4 px, 1/e time 110–150 ms, constant part of the picture error (5.35² − 4.2²) / 5.35²."""


def usual_noise(keypoint: str) -> NoiseShape:
    """What is assumed where nobody says otherwise: racket tape and ball are white, body points are not."""
    return WHITE if keypoint.startswith(("racket", "ball")) else DETECTED
