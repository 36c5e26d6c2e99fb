"""What several measures of the feet share: contact with the ground, standing heights, places in the stance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.body import Body, foot_yaw_rad
from recon.curves import value_at
from recon.ground import GROUND, GroundOptions, ground_contact, standing_height_m
from recon.measures.reading import NotSeen, Serve, time_of

STANCE_HALF_S = 0.1
"""Half of the 0.2 s of rest that the stance is."""
_FIRM = GroundOptions(rise_m=0.02, speed_m_s=0.15, hold=1.2)


def rest_of(serve: Serve) -> tuple[float, float]:
    """Rig times of the rest before the start. Raises NotSeen where there is no start."""
    start = time_of(serve, "start")
    return start - GROUND.rest_s, start


def touching(serve: Serve, foot: str, part: str) -> NDArray[np.bool_]:
    """(T,) whether heel or toe of a foot touches the ground."""
    return ground_contact(serve.body, foot, part, stance_s=rest_of(serve))


def standing(serve: Serve, foot: str, part: str) -> NDArray[np.bool_]:
    """(T,) whether heel or toe of a foot stands firmly: places are read then, not while it lifts."""
    return ground_contact(serve.body, foot, part, stance_s=rest_of(serve), options=_FIRM)


def over_standing_m(serve: Serve, foot: str, part: str) -> Array:
    """(T,) height of a foot point over that at which it stands."""
    z = serve.body.point(f"{foot}_{part}")[:, 2]
    return np.asarray(z - standing_height_m(serve.body, foot, part, rest_of(serve)))


def middle_of_foot(body: Body, foot: str) -> Array:
    """(T, 3) midway between heel and toe."""
    return (body.point(f"{foot}_heel") + body.point(f"{foot}_toe")) / 2


def in_stance(serve: Serve, values: Array, unseen: str) -> Array:
    """Median over the stance of values (T, ...). Raises NotSeen with the sentence `unseen`."""
    t = time_of(serve, "stance")
    window = serve.body.between(t - STANCE_HALF_S, t + STANCE_HALF_S)
    chosen = values[window]
    if not len(window) or np.isnan(chosen).all():
        raise NotSeen(unseen)
    return np.asarray(np.nanmedian(chosen, axis=0))


def yaw_at(serve: Serve, foot: str, event: str) -> tuple[float, float]:
    """(heading of a foot at an event, time), radians. Raises NotSeen where heel or toe is absent then."""
    unseen = f"heel and toe of the {foot} foot were not seen together"
    t = time_of(serve, event)
    yaw = foot_yaw_rad(serve.body, foot)
    value = (
        float(in_stance(serve, yaw, unseen)) if event == "stance" else float(value_at(serve.body.t_s, yaw, t))
    )
    if np.isnan(value):
        raise NotSeen(unseen)
    return value, t
