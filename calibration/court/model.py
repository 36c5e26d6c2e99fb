"""The tennis court as the rules lay it down, in the court frame.

Origin: on the ground, where the rear (outer) edge of the server's baseline meets the centre line of the centre
mark; x to the server's right when facing the net, y towards the net, z up, metres.
All lengths: International Tennis Federation, Rules of Tennis, rule 1 and appendix on court dimensions. All
measurements there run to the OUTSIDE of the lines, so every named corner is an outer edge; the centre mark, the
centre service line and the net count by their middle.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput

LENGTH_M = 23.77  # 78 ft
SINGLES_WIDTH_M = 8.23  # 27 ft
DOUBLES_WIDTH_M = 10.97  # 36 ft
SERVICE_LINE_FROM_NET_M = 6.40  # 21 ft
CENTRE_MARK_LENGTH_M = 0.10  # 4 in
CENTRE_LINE_WIDTH_M = 0.05  # centre mark and centre service line: 2 in
LINE_WIDTH_M = 0.05  # other lines: 2.5 to 5 cm; the widest is drawn
BASELINE_WIDTH_M = 0.10  # up to 10 cm; the widest is drawn
NET_HEIGHT_CENTRE_M = 0.914
NET_HEIGHT_POST_M = 1.07
NET_POST_OUTSIDE_M = 0.914  # post centres outside the doubles court

NET_Y_M = LENGTH_M / 2
_S = SINGLES_WIDTH_M / 2
_D = DOUBLES_WIDTH_M / 2
_NEAR_SERVICE_Y_M = round(NET_Y_M - SERVICE_LINE_FROM_NET_M, 3)
_FAR_SERVICE_Y_M = NET_Y_M + SERVICE_LINE_FROM_NET_M


_NEAR = "Server's baseline: its rear edge (away from the net), at"
_FAR = "Far baseline: its rear edge (away from the net), at"
_SERVICE = "Near service line: its edge on the server's side, at the"
_FAR_SIDE = "Far service line: its edge away from the net, at the"
_NET = "On the ground straight under the net: the"
_OUTER = "outer edge of the"
_CORD = "The net's upper edge, where it meets the middle of the"
# Along x, y, z. The strap and the net's band are set by hand (a measuring stick, commonly to within 2 cm), the
# posts stand in sleeves laid with the court, the cord sags beside them; no published figures: our judgement.
_STRAP_U_M = (0.015, 0.010, 0.010)
_POST_U_M = (0.020, 0.010, 0.015)
_SEEN = " (as seen from the server)"


@dataclass(frozen=True, slots=True)
class CourtPoint:
    """A point that a person can click: where it is (court frame, metres) and which edge to aim at.

    own_u_m  standard uncertainty along x, y, z of a point of the net, None for a painted one: how well a
    court's
             paint lies is the registration's option
    """

    name: str
    x_m: float
    y_m: float
    z_m: float
    how_to_click: str
    own_u_m: tuple[float, float, float] | None = None

    @property
    def xyz_m(self) -> tuple[float, float, float]:
        """(x, y, z) in the court frame, metres."""
        return (self.x_m, self.y_m, self.z_m)

    @property
    def painted(self) -> bool:
        """True for a point of the lines, False for one of the net."""
        return self.own_u_m is None


def _named_points() -> tuple[CourtPoint, ...]:
    rows: list[tuple[str, float, float, str]] = [
        ("baseline_centre", 0.0, 0.0, f"{_NEAR} the middle of the centre mark."),
        ("baseline_left_singles", -_S, 0.0, f"{_NEAR} the {_OUTER} left singles line."),
        ("baseline_right_singles", _S, 0.0, f"{_NEAR} the {_OUTER} right singles line."),
        ("baseline_left_doubles", -_D, 0.0, f"{_NEAR} the {_OUTER} left doubles line."),
        ("baseline_right_doubles", _D, 0.0, f"{_NEAR} the {_OUTER} right doubles line."),
        ("service_left_singles", -_S, _NEAR_SERVICE_Y_M, f"{_SERVICE} {_OUTER} left singles line."),
        ("service_right_singles", _S, _NEAR_SERVICE_Y_M, f"{_SERVICE} {_OUTER} right singles line."),
        ("service_centre", 0.0, _NEAR_SERVICE_Y_M, f"{_SERVICE} middle of the centre service line."),
        ("net_left_doubles", -_D, NET_Y_M, f"{_NET} {_OUTER} left doubles line."),
        ("net_right_doubles", _D, NET_Y_M, f"{_NET} {_OUTER} right doubles line."),
        ("far_service_left_singles", -_S, _FAR_SERVICE_Y_M, f"{_FAR_SIDE} {_OUTER} left singles line{_SEEN}."),
        ("far_service_right_singles", _S, _FAR_SERVICE_Y_M, f"{_FAR_SIDE} {_OUTER} right singles line{_SEEN}."),
        ("far_service_centre", 0.0, _FAR_SERVICE_Y_M, f"{_FAR_SIDE} middle of the centre service line."),
        ("far_baseline_left_singles", -_S, LENGTH_M, f"{_FAR} the {_OUTER} left singles line{_SEEN}."),
        ("far_baseline_right_singles", _S, LENGTH_M, f"{_FAR} the {_OUTER} right singles line{_SEEN}."),
        ("far_baseline_left_doubles", -_D, LENGTH_M, f"{_FAR} the {_OUTER} left doubles line{_SEEN}."),
        ("far_baseline_right_doubles", _D, LENGTH_M, f"{_FAR} the {_OUTER} right doubles line{_SEEN}."),
        ("far_baseline_centre", 0.0, LENGTH_M, f"{_FAR} the middle of its centre mark."),
    ]  # fmt: skip
    post, centre_z, post_z = _D + NET_POST_OUTSIDE_M, NET_HEIGHT_CENTRE_M, NET_HEIGHT_POST_M
    net = (
        CourtPoint("net_centre_top", 0.0, NET_Y_M, centre_z, f"{_CORD} centre strap.", _STRAP_U_M),
        CourtPoint("net_left_post_top", -post, NET_Y_M, post_z, f"{_CORD} left post{_SEEN}.", _POST_U_M),
        CourtPoint("net_right_post_top", post, NET_Y_M, post_z, f"{_CORD} right post{_SEEN}.", _POST_U_M),
    )
    return (*(CourtPoint(name, x, y, 0.0, text) for name, x, y, text in rows), *net)


POINTS = _named_points()
"""Every named point, in the order in which a click page offers them."""

COURT_POINTS_M = MappingProxyType({p.name: p.xyz_m for p in POINTS})
"""Name → (x, y, z) in the court frame, metres."""


def court_point(name: str) -> CourtPoint:
    """The named point. Raises BadInput listing the names there are."""
    for point in POINTS:
        if point.name == name:
            return point
    raise BadInput(f"unknown court point {name!r}; want one of {', '.join(COURT_POINTS_M)}")


@dataclass(frozen=True, slots=True)
class PaintedLine:
    """A painted line as a rectangle on the ground: x from x0_m to x1_m, y from y0_m to y1_m (court frame)."""

    name: str
    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float

    def corners_m(self) -> Array:
        """(4, 3) corners, anticlockwise seen from above."""
        x0, y0, x1, y1 = self.x0_m, self.y0_m, self.x1_m, self.y1_m
        return np.array([[x0, y0, 0.0], [x1, y0, 0.0], [x1, y1, 0.0], [x0, y1, 0.0]])

    @property
    def width_m(self) -> float:
        """The shorter side."""
        return min(self.x1_m - self.x0_m, self.y1_m - self.y0_m)


def _painted_lines() -> tuple[PaintedLine, ...]:
    w, b, c = LINE_WIDTH_M, BASELINE_WIDTH_M, CENTRE_LINE_WIDTH_M / 2
    mark = CENTRE_MARK_LENGTH_M  # drawn inside the court, from the baseline
    return (
        PaintedLine("baseline", -_D, 0.0, _D, b),
        PaintedLine("far_baseline", -_D, LENGTH_M - b, _D, LENGTH_M),
        PaintedLine("left_doubles", -_D, 0.0, -_D + w, LENGTH_M),
        PaintedLine("right_doubles", _D - w, 0.0, _D, LENGTH_M),
        PaintedLine("left_singles", -_S, 0.0, -_S + w, LENGTH_M),
        PaintedLine("right_singles", _S - w, 0.0, _S, LENGTH_M),
        PaintedLine("service", -_S, _NEAR_SERVICE_Y_M, _S, _NEAR_SERVICE_Y_M + w),
        PaintedLine("far_service", -_S, _FAR_SERVICE_Y_M - w, _S, _FAR_SERVICE_Y_M),
        PaintedLine("centre_service", -c, _NEAR_SERVICE_Y_M, c, _FAR_SERVICE_Y_M),
        PaintedLine("centre_mark", -c, b, c, b + mark),
        PaintedLine("far_centre_mark", -c, LENGTH_M - b - mark, c, LENGTH_M - b),
    )


PAINTED_LINES = _painted_lines()
"""All painted lines with the widest paint that the rules allow (they allow 2.5-5 cm, baselines up to 10 cm)."""


def _outlines() -> tuple[tuple[tuple[float, float, float], ...], ...]:
    far, near, away, net = LENGTH_M, _NEAR_SERVICE_Y_M, _FAR_SERVICE_Y_M, NET_Y_M
    post = _D + NET_POST_OUTSIDE_M
    mark = CENTRE_MARK_LENGTH_M
    flat: tuple[tuple[tuple[float, float], ...], ...] = (
        ((-_D, 0.0), (_D, 0.0), (_D, far), (-_D, far), (-_D, 0.0)),
        ((-_S, 0.0), (-_S, far)),
        ((_S, 0.0), (_S, far)),
        ((-_S, near), (_S, near)),
        ((-_S, away), (_S, away)),
        ((0.0, near), (0.0, away)),
        ((0.0, 0.0), (0.0, BASELINE_WIDTH_M + mark)),
        ((0.0, far), (0.0, far - BASELINE_WIDTH_M - mark)),
    )
    on_ground = tuple(tuple((x, y, 0.0) for x, y in line) for line in flat)
    net_line = (
        (-post, net, 0.0), (-post, net, NET_HEIGHT_POST_M), (0.0, net, NET_HEIGHT_CENTRE_M),
        (post, net, NET_HEIGHT_POST_M), (post, net, 0.0),
    )  # fmt: skip
    return (*on_ground, net_line)


OUTLINES_M = _outlines()
"""Thin polylines for a drawing of the court (outer edges, middles of the centre lines) and, last, the net."""


@dataclass(frozen=True, slots=True)
class Volume:
    """A box in the court frame, metres: (low, high) along each axis."""

    x_m: tuple[float, float]
    y_m: tuple[float, float]
    z_m: tuple[float, float]

    def grid_m(self, per_axis: tuple[int, int, int] = (4, 3, 5)) -> Array:
        """(N, 3) evenly spaced points including the box's faces; x varies slowest."""
        axes = [np.linspace(*side, n) for side, n in zip((self.x_m, self.y_m, self.z_m), per_axis, strict=True)]
        return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


SERVE_VOLUME = Volume((-1.5, 1.5), (-0.6, 1.0), (0.0, 3.1))
"""Where a serve takes place around a server at the centre mark: from the shoes to the racket tip at contact."""
