"""Where feet and weight are in the stance, and how the back foot comes up."""

from __future__ import annotations

import numpy as np

from recon.body import foot_yaw_rad
from recon.curves import value_at
from recon.mass import centre_of_mass_m
from recon.measures.feet import in_stance, middle_of_foot, over_standing_m
from recon.measures.reading import Compute, Reading, Serve, absent, time_of

PLATFORM_ABOVE, PINPOINT_BELOW = 0.80, 0.60
"""Feet that keep more of their distance than the first are a platform, less than the second a pinpoint stance
(common practice names the two; the limits are this project's choice)."""
_UNSEEN = "the feet were not seen in the stance"


def narrowing(serve: Serve) -> Reading:
    """Distance of the feet on the ground at deepest bend over that in the stance, and what stance that is."""
    apart = np.linalg.norm(
        (middle_of_foot(serve.body, "front") - middle_of_foot(serve.body, "back"))[:, :2], axis=1
    )
    before = float(in_stance(serve, apart, _UNSEEN))
    t = time_of(serve, "deepest_bend")
    share = float(value_at(serve.body.t_s, apart, t)) / before
    kind = "platform" if share > PLATFORM_ABOVE else "pinpoint" if share < PINPOINT_BELOW else "mixed"
    return Reading(share, t, f"{kind} stance")


def back_foot_step(serve: Serve) -> Reading:
    """How far the middle of the back foot moved on the ground from the stance to the deepest bend."""
    places = middle_of_foot(serve.body, "back")[:, :2]
    before = in_stance(serve, places, _UNSEEN)
    t = time_of(serve, "deepest_bend")
    return Reading(float(np.linalg.norm(value_at(serve.body.t_s, places, t) - before)), t)


def back_foot_yaw(serve: Serve) -> Reading:
    """Heading of the back foot in the stance, in (-pi, pi]."""
    yaw = float(in_stance(serve, foot_yaw_rad(serve.body, "back"), "the back foot was not seen in the stance"))
    return Reading(yaw - 2 * np.pi * round(yaw / (2 * np.pi)), time_of(serve, "stance"))


def weight_towards_front(serve: Serve) -> Reading:
    """Centre of mass on the ground along the line from back (0) to front foot (1)."""
    places = [in_stance(serve, middle_of_foot(serve.body, foot)[:, :2], _UNSEEN) for foot in ("back", "front")]
    mass = in_stance(serve, centre_of_mass_m(serve.body)[:, :2], "the whole body was not seen in the stance")
    line = places[1] - places[0]
    if not np.linalg.norm(line) > 0.1:
        return absent("the feet stand within 10 cm of each other: there is no line between them to share")
    return Reading(float((mass - places[0]) @ line / (line @ line)), time_of(serve, "stance"))


def front_toe_clearance(serve: Serve) -> Reading:
    """Height of the front toe in the stance over its height when it stands flat."""
    height = in_stance(
        serve, over_standing_m(serve, "front", "toe"), "the front toe was not seen in the stance"
    )
    return Reading(float(height), time_of(serve, "stance"))


COMPUTE: dict[str, Compute] = {
    "stance_narrowing": narrowing,
    "back_foot_step": back_foot_step,
    "back_foot_yaw_stance": back_foot_yaw,
    "weight_towards_front": weight_towards_front,
    "front_toe_clearance": front_toe_clearance,
}
