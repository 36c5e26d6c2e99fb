"""The painted lines as something to measure: where the rules want the reference edge, and what they leave free.

The rules fix the outside edge of a line (the middle, for the centre service line) and leave the width free
within bounds; PAINTED_LINES of calibration.court.model are the same lines with the widest paint, as drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.court.model import DOUBLES_WIDTH_M, LENGTH_M, NET_Y_M, SERVICE_LINE_FROM_NET_M, SINGLES_WIDTH_M

Index = NDArray[np.intp]
Flags = NDArray[np.bool_]
Picture = NDArray[np.uint8]

X, Y = 0, 1  # the court axis along which a line runs


@dataclass(frozen=True, slots=True)
class RuledLine:
    """A painted line against the rules' measure (court frame, metres).

    along          X or Y, the axis it runs along, from start_m to stop_m
    at_m           of the reference edge on the other axis; of the middle where inward is 0
    inward         direction from the reference (outside) edge to the other one on that axis: +1, -1; 0 for a
                   line that the rules measure to its middle
    widths_m       narrowest and widest paint that the rules allow. The centre service line's width is fixed at
                   5 cm; half a centimetre either way is granted to the painter
    """

    name: str
    along: int
    at_m: float
    inward: int
    start_m: float
    stop_m: float
    widths_m: tuple[float, float]

    @property
    def width_m(self) -> float:
        """Middle of the allowed widths."""
        return (self.widths_m[0] + self.widths_m[1]) / 2

    @property
    def width_u_m(self) -> float:
        """Standard uncertainty of a width spread evenly over the allowed ones."""
        return (self.widths_m[1] - self.widths_m[0]) / 12**0.5

    @property
    def length_m(self) -> float:
        """From end to end."""
        return self.stop_m - self.start_m

    def across_per_width(self, share: Array) -> Array:
        """How far, in widths, the place `share` of the way from the reference edge to the other lies from at_m.

        share 0 is the reference edge, 1 the other, 0.5 the middle. A middle line's first edge is the lower one.
        """
        return np.asarray(self.inward * share if self.inward else share - 0.5)

    def points_m(self, along_m: Array, across_m: Array) -> Array:
        """(N, 3) ground points from their places along the line and on the other axis (N,)."""
        out = np.zeros((len(along_m), 3))
        out[:, self.along], out[:, 1 - self.along] = along_m, across_m
        return out


_THIN, _BASE, _CENTRE = (0.025, 0.05), (0.025, 0.10), (0.045, 0.055)
_S, _D = SINGLES_WIDTH_M / 2, DOUBLES_WIDTH_M / 2
_NEAR, _FAR = round(NET_Y_M - SERVICE_LINE_FROM_NET_M, 3), NET_Y_M + SERVICE_LINE_FROM_NET_M

RULED_LINES = (
    RuledLine("baseline", X, 0.0, 1, -_D, _D, _BASE),
    RuledLine("service", X, _NEAR, 1, -_S, _S, _THIN),
    RuledLine("far_service", X, _FAR, -1, -_S, _S, _THIN),
    RuledLine("far_baseline", X, LENGTH_M, -1, -_D, _D, _BASE),
    RuledLine("left_doubles", Y, -_D, 1, 0.0, LENGTH_M, _THIN),
    RuledLine("left_singles", Y, -_S, 1, 0.0, LENGTH_M, _THIN),
    RuledLine("centre_service", Y, 0.0, 0, _NEAR, _FAR, _CENTRE),
    RuledLine("right_singles", Y, _S, -1, 0.0, LENGTH_M, _THIN),
    RuledLine("right_doubles", Y, _D, -1, 0.0, LENGTH_M, _THIN),
)
"""Lines long enough to be measured along; the centre marks (10 cm) are not among them."""


def crossings_m(line: RuledLine) -> Array:
    """Places along the line where other painted lines meet or cross it, and its own ends."""
    meets = [
        o.at_m
        for o in RULED_LINES
        if o.along != line.along
        and o.start_m - 0.01 <= line.at_m <= o.stop_m + 0.01
        and line.start_m - 0.01 <= o.at_m <= line.stop_m + 0.01
    ]
    marks = [0.0] if line.name.endswith("baseline") else []  # the centre mark starts there
    return np.array(sorted({line.start_m, line.stop_m, *meets, *marks}))


def lines_through(x_m: Array) -> list[tuple[int, int, float]]:
    """Lines whose reference edge (or middle) runs through a court point (3,): (axis that the line fixes, index
    into RULED_LINES, place between the line's ends 0…1)."""
    out = []
    for i, line in enumerate(RULED_LINES):
        tau = (float(x_m[line.along]) - line.start_m) / line.length_m
        if abs(float(x_m[1 - line.along]) - line.at_m) < 1e-6 and -1e-6 <= tau <= 1 + 1e-6:
            out.append((1 - line.along, i, tau))
    return out
