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
    clear_m     heights over standing between which a foot is on its way: lower ones are noise, higher ones
                belong to the stride
    """

    rest_s: float = 0.25
    rise_m: float = 0.03
    speed_m_s: float = 0.25
    hold: float = 1.5
    clear_m: tuple[float, float] = (0.015, 0.07)

    def __post_init__(self) -> None:
        if min(self.rest_s, self.rise_m, self.speed_m_s, self.hold - 1, *self.clear_m) <= 0:
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


def leaves_at(times: Array, over_m: Array) -> float | None:
    """When a rising point left the ground, from its heights over standing (N,) around that time.

    A foot leaves the ground with the speed that the body already has, and comes down at an even speed: the
    straight line through the first heights that stand out of the noise is followed back to zero. None where
    fewer than two of them were seen.
    """
    above = np.flatnonzero(over_m > GROUND.clear_m[0])
    return _meets_zero(times, over_m, _run(over_m, int(above[0]), 1)) if len(above) else None


def lands_at(times: Array, over_m: Array) -> float | None:
    """When a falling point met the ground, from its heights over standing (N,) up to a time when it is down.

    As `leaves_at`, by its last heights that stand out of the noise.
    """
    above = np.flatnonzero(over_m > GROUND.clear_m[0])
    return _meets_zero(times, over_m, _run(over_m, int(above[-1]), -1)) if len(above) else None


def _run(over_m: Array, first: int, step: int) -> NDArray[np.intp]:
    """Indices from the first on, in steps, as long as the heights grow and are no higher than the limit."""
    if not over_m[first] < GROUND.clear_m[1]:
        return np.array([], dtype=np.intp)
    run, k = [first], first + step
    while 0 <= k < len(over_m) and over_m[k - step] < over_m[k] < GROUND.clear_m[1]:
        run.append(k)
        k += step
    return np.array(sorted(run), dtype=np.intp)


def _meets_zero(times: Array, over_m: Array, chosen: NDArray[np.intp]) -> float | None:
    if len(chosen) < 2:
        return None
    slope, level = np.polyfit(times[chosen] - times[chosen[0]], over_m[chosen], 1)
    return None if slope == 0 else float(times[chosen[0]] - level / slope)


def _low_level(height: Array) -> float:
    known = height[~np.isnan(height)]
    return float(np.percentile(known, 10)) if len(known) else np.inf
