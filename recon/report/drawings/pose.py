"""The player at one instant, in the words of the measures, ready to be drawn."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calibration.checks import Array
from recon.body import Body, kept
from recon.curves import value_at
from recon.mass import centre_of_mass_m
from recon.records import BallFlight, Measure, Motion, PointStatus, side_names
from recon.report.svg import Drawing
from recon.result import Result
from recon.scene import palette
from recon.scene.body import GROUPS, bones_by_group, positions_at

_ABSENT = np.full(3, np.nan)
_PALE = 0.35


class Pose:
    """All points of one instant by name, absent ones as NaN. h: +1 for a right-hander, -1 for a left-hander."""

    def __init__(self, result: Result, t_s: float) -> None:
        self.result, self.t_s = result, t_s
        self.hand = result.session.file.handedness
        self.h = 1.0 if self.hand == "right" else -1.0
        self.side = side_names(self.hand)
        self.xyz = positions_at(result.motion, t_s)

    def at(self, name: str) -> Array:
        """(3,) of a point: a stored name, or with a role (hitting_wrist, front_toe), or a middle (mid_hip).

        Also a foot's middle (back_foot), the racket's "head", "mass", "ball", "met", "apex"; 'name@event' is
        the same at another instant.
        """
        name, _, event = name.partition("@")
        if event:
            t = _instant(self.result, name, event)
            return _ABSENT if t is None else Pose(self.result, t).at(name)
        if name in _MADE_UP:
            return _MADE_UP[name](self)
        role, _, part = name.partition("_")
        if role == "mid":
            return (self.at(f"left_{part}") + self.at(f"right_{part}")) / 2
        if part == "foot":
            return (self.at(f"{role}_heel") + self.at(f"{role}_toe")) / 2
        names, stored = self.result.motion.keypoints, f"{self.side[role]}_{part}" if role in self.side else name
        return self.xyz[names.index(stored)] if stored in names else _ABSENT

    def line(self, part: str) -> Array:
        """(3,) from the tossing to the hitting hip or shoulder."""
        return self.at(f"hitting_{part}") - self.at(f"tossing_{part}")

    def draw_body(self, drawing: Drawing, *, strong: tuple[str, ...], keep: tuple[str, ...]) -> None:
        """The skeleton in the colours used everywhere; the racket broken where no camera measured it.

        Groups in `strong` are drawn full, the rest pale; groups in `keep` have to fit in the frame.
        """
        seen = self.result.motion.status[self.result.motion.nearest(self.t_s)] == PointStatus.OK
        for group, pairs in bones_by_group(self.result.motion.keypoints, self.hand).items():
            _, colour, width = GROUPS[group]
            opacity = 1.0 if group in strong else _PALE
            told = [p for p in pairs if group == "racket" and not (seen[p[0]] and seen[p[1]])]
            for some, dash in (([p for p in pairs if p not in told], ""), (told, "4 5")):
                ends = self.xyz[np.array(some, dtype=int).reshape(-1, 2)]
                drawing.strokes(ends, colour, 0.55 * width, dash=dash, keep=group in keep, opacity=opacity)
        drawing.dot(self.at("mid_ear"), palette.TRUNK, 9)


def _instant(result: Result, name: str, event: str) -> float | None:
    """Time of an event; of the ball, as its own flight tells release and contact."""
    flight = result.flight
    own = None
    if name == "ball" and flight is not None:
        own = {"release": flight.release_s, "contact": flight.contact_s}.get(event)
    return result.events.time(event) if own is None else own


def _ball(pose: Pose) -> Array:
    """As its flight has it; without a flight, as it was followed."""
    if pose.result.flight is not None:
        return np.asarray(pose.result.flight.at(pose.t_s))
    names = pose.result.motion.keypoints
    return pose.xyz[names.index("ball")] if "ball" in names else _ABSENT


def _head(pose: Pose) -> Array:
    return (pose.at("racket_tip") + pose.at("racket_throat")) / 2


def _met(pose: Pose) -> Array:
    """Where the ball was met: its centre at contact, without a flight the middle of the racket head."""
    return pose.at("head@contact") if pose.result.flight is None else pose.at("ball@contact")


def _apex(pose: Pose) -> Array:
    flight: BallFlight | None = pose.result.flight
    return _ABSENT if flight is None else flight.apex()[1]


@kept
def _body(motion: Motion, hand: str) -> Body:
    """One body per motion, so that its centre of mass is worked out once for all the points of a way."""
    return Body.of(motion, hand)


def _mass(pose: Pose) -> Array:
    body = _body(pose.result.motion, pose.hand)
    return value_at(body.t_s, centre_of_mass_m(body), pose.t_s)


_MADE_UP: dict[str, Callable[[Pose], Array]] = {
    "ball": _ball, "head": _head, "met": _met, "apex": _apex, "mass": _mass,
}  # fmt: skip

Make = Callable[[Pose, Measure], Drawing | None]
"""Draws one measure; None where what it needs is absent."""
Place = Callable[[Pose, Measure], Array]
"""(3,) a point of a drawing."""


def place(name: str | Place) -> Place:
    """A point named as for Pose.at."""
    return (lambda pose, _: pose.at(name)) if isinstance(name, str) else name
