"""An invented rigid racket for tests: swung, turned about its axis, known exactly at any time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array

BUTT_THROAT_M, THROAT_TIP_M = 0.31, 0.345
LENGTH_M = BUTT_THROAT_M + THROAT_TIP_M
CENTRE_M, HALF_M = 0.49, 0.125
"""Of the head: from the butt's tape along the axis, and half its width."""


def _strokes(t: Array, rng: np.random.Generator, sizes: tuple[float, ...]) -> Array:
    """(T, len(sizes)) sums of bells in time, as a serve's quick stages are."""
    out = np.zeros((len(t), len(sizes)))
    for centre, width in ((0.9, 0.16), (1.35, 0.10), (1.55, 0.09)):
        bells = np.exp(-0.5 * ((t - centre - rng.normal(0, 0.03)) / width) ** 2)
        out += bells[:, None] * rng.normal(0, 1, len(sizes)) * np.array(sizes)
    return out


@dataclass(frozen=True)
class RigidSwing:
    """Rest, a swing around 1.4 s, rest. All results in the court frame, metres."""

    seed: int = 0

    def _pose(self, t_s: Array) -> tuple[Array, Array, Array]:
        rng = np.random.default_rng([self.seed, 77])
        t = np.asarray(t_s, dtype=float)
        butt = np.array([0.2, -0.1, 1.3]) + _strokes(t, rng, (0.2, 0.2, 0.3))
        turn = np.array([rng.uniform(0, 2 * np.pi), 0.4, 0.0]) + _strokes(t, rng, (1.6, 0.9, 1.2))
        lift, about = turn[:, 1], turn[:, 2]
        way = np.stack(
            [np.cos(turn[:, 0]) * np.cos(lift), np.sin(turn[:, 0]) * np.cos(lift), np.sin(lift)], axis=1
        )
        side = np.stack([-np.sin(turn[:, 0]), np.cos(turn[:, 0]), 0 * t], axis=1)
        up = np.cross(way, side)
        across = np.cos(about)[:, None] * side + np.sin(about)[:, None] * up
        return butt, way, across

    def points(self, t_s: Array) -> Array:
        """(T, 3, 3): tip, throat and butt."""
        butt, way, _ = self._pose(t_s)
        return np.stack([butt + LENGTH_M * way, butt + BUTT_THROAT_M * way, butt], axis=1)

    def edges(self, t_s: Array) -> Array:
        """(T, 2, 3): both sides of the head."""
        butt, way, across = self._pose(t_s)
        middle = butt + CENTRE_M * way
        return np.stack([middle + HALF_M * across, middle - HALF_M * across], axis=1)

    def normal(self, t_s: Array) -> Array:
        """(T, 3) of the face, towards either side."""
        _, way, across = self._pose(t_s)
        return np.asarray(np.cross(way, across))
