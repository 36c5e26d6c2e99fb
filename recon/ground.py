"""When a foot point touches the ground, and when it leaves it or comes down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from recon.body import Body, kept

FOOT_POINTS = ("heel", "toe")


@dataclass(frozen=True, kw_only=True, slots=True)
class GroundOptions:
    """Limits that tell ground from air.

    rest_s      rest before the start, over which a foot's standing height is taken
    rise_m, speed_m_s  a foot point touches the ground below this rise over its standing height, and moving up
                or down slower than this (measures page)
    hold        contact is held until rise or speed exceed their limit by this factor
    """

    rest_s: float = 0.25
    rise_m: float = 0.03
    speed_m_s: float = 0.25
    hold: float = 1.5

    def __post_init__(self) -> None:
        if min(self.rest_s, self.rise_m, self.speed_m_s, self.hold - 1) <= 0:
            raise BadInput(f"ground: want positive limits and hold > 1, got {self}")


GROUND = GroundOptions()


def standing_height_m(body: Body, foot: str, part: str, rest_s: tuple[float, float]) -> float:
    """Height of "heel" or "toe" of the "front" or "back" foot when it stands, metres.

    A keypoint sits inside the shoe, so its own height while the foot stands is its zero: the median over the
    rest, or the lowest tenth of the motion where the foot does not rest flat. Infinite where it was never seen.
    """
    height = body.point(f"{foot}_{part}")[:, 2]
    rest = body.between(*rest_s)
    standing = float(np.nanmedian(height[rest])) if len(rest) and not np.isnan(height[rest]).all() else np.inf
    return min(standing, _low_level(height))


@kept
def ground_contact(
    body: Body, foot: str, part: str, *, stance_s: tuple[float, float], options: GroundOptions = GROUND
) -> NDArray[np.bool_]:
    """(T,) whether a foot point touches the ground; False where it is unseen.

    Contact begins below both limits and is held until either is clearly exceeded. Horizontal motion does not
    end contact: it is sliding contact.
    """
    height, climb = body.point(f"{foot}_{part}")[:, 2], body.rate(f"{foot}_{part}")[:, 2]
    over, fast = height - standing_height_m(body, foot, part, stance_s), np.abs(climb)
    enter = (over < options.rise_m) & (fast < options.speed_m_s)
    stay = (over < options.hold * options.rise_m) & (fast < options.hold * options.speed_m_s)
    k = np.arange(len(height))
    entered = np.maximum.accumulate(np.where(enter, k, -1))
    left = np.maximum.accumulate(np.where(stay, -1, k))
    touching = np.asarray(entered > left)
    touching.flags.writeable = False
    return touching


def leaves_at(times: Array, climb_m_s: Array) -> float | None:
    """When a point left the ground, from its upward speeds (N,) around that time.

    A foot leaves the ground with the speed that the body already has: where half of its greatest speed is
    reached. A smooth curve rounds that corner off evenly, and a point's height, which wanders in the shoe as
    the heel comes up, plays no part. None where it rises no slower than half of that at any time before.
    """
    return _half_way(times, climb_m_s)


def lands_at(times: Array, climb_m_s: Array) -> float | None:
    """When a point met the ground, from its upward speeds (N,) around that time.

    As `leaves_at`, turned round in time: where its fall has slowed to half of the greatest speed.
    """
    at = _half_way(-times[::-1], -climb_m_s[::-1])
    return None if at is None else -at


def _half_way(times: Array, speed: Array) -> float | None:
    """The last time before the greatest speed at which half of it was reached, by a straight line."""
    if len(speed) < 3 or np.isnan(speed).any():
        return None
    top = int(np.argmax(speed))
    half = speed[top] / 2
    slow = np.flatnonzero(speed[:top] < half)
    if speed[top] <= 0 or not len(slow):
        return None
    i = int(slow[-1])
    share = (half - speed[i]) / (speed[i + 1] - speed[i])
    return float(times[i] + share * (times[i + 1] - times[i]))


def _low_level(height: Array) -> float:
    known = height[~np.isnan(height)]
    return float(np.percentile(known, 10)) if len(known) else np.inf
