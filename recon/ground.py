"""When a foot point touches the ground."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.body import Body

FOOT_POINTS = ("heel", "toe")


def ground_contact(
    body: Body, foot: str, part: str, *, stance_s: tuple[float, float], rise_m: float, speed_m_s: float
) -> NDArray[np.bool_]:
    """(T,) whether a foot point ("front"/"back", "heel"/"toe") touches the ground; False where it is unseen.

    A keypoint sits inside the shoe, so its height while the foot stands (the median over the rest in
    stance_s, or the lowest tenth of the motion where the foot does not rest flat) is its zero. Contact
    begins below rise_m and speed_m_s and is held until either is exceeded by half as much again.
    Horizontal motion does not end contact: it is sliding contact.
    """
    height, climb = body.point(f"{foot}_{part}")[:, 2], body.rate(f"{foot}_{part}")[:, 2]
    rest = body.between(*stance_s)
    standing = float(np.nanmedian(height[rest])) if len(rest) and not np.isnan(height[rest]).all() else np.inf
    zero = min(standing, _low_level(height))
    over, fast = height - zero, np.abs(climb)
    enter = (over < rise_m) & (fast < speed_m_s)
    stay = (over < 1.5 * rise_m) & (fast < 1.5 * speed_m_s)
    k = np.arange(len(height))
    entered = np.maximum.accumulate(np.where(enter, k, -1))
    left = np.maximum.accumulate(np.where(stay, -1, k))
    return np.asarray(entered > left)


def _low_level(height: Array) -> float:
    known = height[~np.isnan(height)]
    return float(np.percentile(known, 10)) if len(known) else np.inf
