"""How legs and body push up: drag of the back foot, speeds of the knees, rise of the body."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import Body, kept, knee_flexion_rad, read_only
from recon.curves import largest, path_length, rate, stretch, value_at
from recon.mass import centre_of_mass_m
from recon.measures.feet import middle_of_foot, over_standing_m
from recon.measures.reading import Compute, Reading, Serve, absent, largest_between, time_of

_BACK_UNSEEN = "the back foot was not seen between deepest bend and push-off"


def _pushing(serve: Serve, values: Array) -> tuple[Array, Array]:
    return stretch(serve.body.t_s, values, time_of(serve, "deepest_bend"), time_of(serve, "push_off"))


def drag(serve: Serve) -> Reading:
    """Length of the back toe's way on the ground plan from deepest bend to push-off."""
    times, places = _pushing(serve, serve.body.point("back_toe")[:, :2])
    if not len(times):
        return absent("push-off comes before the deepest bend")
    length = path_length(times, places)
    return absent(_BACK_UNSEEN) if np.isnan(length) else Reading(length, float(times[-1]))


def drag_inward(serve: Serve) -> Reading:
    """The same way's part towards the front foot, from its first to its last place."""
    body, t0 = serve.body, time_of(serve, "deepest_bend")
    times, places = _pushing(serve, body.point("back_toe")[:, :2])
    if not len(times):
        return absent("push-off comes before the deepest bend")
    feet = [value_at(body.t_s, middle_of_foot(body, foot)[:, :2], t0) for foot in ("front", "back")]
    towards = (feet[0] - feet[1]) / np.linalg.norm(feet[0] - feet[1])
    inward = float((places[-1] - places[0]) @ towards)
    return absent(_BACK_UNSEEN) if np.isnan(inward) else Reading(inward, float(times[-1]))


def toe_lift(serve: Serve) -> Reading:
    """Greatest height of the back toe over its standing height, deepest bend to push-off."""
    t, value = largest(*_pushing(serve, over_standing_m(serve, "back", "toe")))
    return absent(_BACK_UNSEEN) if np.isnan(value) else Reading(value, t)


@kept
def extension_speed_rad_s(body: Body, leg: str) -> Array:
    """(T,) how fast a knee straightens."""
    return read_only(-rate(body.t_s, knee_flexion_rad(body, leg)))


@kept
def mass_climb_m_s(body: Body) -> Array:
    """(T,) upward speed of the centre of mass."""
    return read_only(rate(body.t_s, centre_of_mass_m(body)[:, 2]))


def _hips_climb_m_s(body: Body) -> Array:
    return np.asarray((body.rate("left_hip") + body.rate("right_hip"))[:, 2] / 2)


def rise(serve: Serve) -> Reading:
    """Height of the centre of mass at push-off over that at the deepest bend."""
    z = centre_of_mass_m(serve.body)[:, 2]
    low, high = time_of(serve, "deepest_bend"), time_of(serve, "push_off")
    value = float(value_at(serve.body.t_s, z, high) - value_at(serve.body.t_s, z, low))
    return (
        absent("the whole body was not seen at deepest bend and push-off")
        if np.isnan(value)
        else Reading(value, high)
    )


def _knee_speed(leg: str) -> Compute:
    return largest_between(
        lambda body: extension_speed_rad_s(body, leg), "deepest_bend", "contact", f"the {leg} leg was not seen"
    )


COMPUTE: dict[str, Compute] = {
    "back_foot_drag": drag,
    "back_foot_drag_inward": drag_inward,
    "back_toe_lift": toe_lift,
    "front_knee_extension_speed": _knee_speed("front"),
    "back_knee_extension_speed": _knee_speed("back"),
    "com_rise_speed": largest_between(
        mass_climb_m_s, "deepest_bend", "contact", "the whole body was not seen in the push"
    ),
    "midhip_rise_speed": largest_between(
        _hips_climb_m_s, "deepest_bend", "contact", "the hips were not seen in the push"
    ),
    "com_rise": rise,
}
