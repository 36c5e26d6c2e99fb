"""Turn, ways and pivot of the front foot up to push-off: the third headline measure."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import foot_yaw_rad
from recon.curves import stretch, value_at
from recon.measures.feet import in_stance, standing, touching, yaw_at
from recon.measures.reading import Compute, NotSeen, Reading, Serve, absent, time_of

_LEAST_TURN_RAD = np.radians(5.0)  # a foot that turns less has no pivot that its noise would leave standing


def heading(event: str) -> Compute:
    """Heading of the front foot at an event, whole turns before the stance left out."""

    def compute(serve: Serve) -> Reading:
        value, t = yaw_at(serve, "front", event)
        return Reading(value - _whole_turns(serve), t)

    return compute


def _whole_turns(serve: Serve) -> float:
    """Whole turns, radians, that the heading had gathered before the stance: there it lies in (-pi, pi]."""
    try:
        before, _ = yaw_at(serve, "front", "stance")
    except NotSeen:
        return 0.0
    return float(2 * np.pi * round(before / (2 * np.pi)))


def turn(serve: Serve) -> Reading:
    """Heading at push-off less that in the stance."""
    before, _ = yaw_at(serve, "front", "stance")
    after, t = yaw_at(serve, "front", "push_off")
    return Reading(after - before, t)


def largest_turn(serve: Serve) -> Reading:
    """The heading farthest from that of the stance up to push-off, signed."""
    before, t0 = yaw_at(serve, "front", "stance")
    times, yaw = stretch(serve.body.t_s, foot_yaw_rad(serve.body, "front"), t0, time_of(serve, "push_off"))
    if not len(times) or np.isnan(yaw).all():
        return absent("heel and toe of the front foot were not seen together")
    k = int(np.nanargmax(np.abs(yaw - before)))
    return Reading(float(yaw[k] - before), float(times[k]))


_INSTANTS = ("stance", "release", "trophy", "deepest_bend")
_LAST_S = 0.06  # over which a place on the ground is read: single instants are noisy


def _places(serve: Serve, part: str) -> tuple[Array, float]:
    """Places (N, 2) of a front-foot point in the stance, at release, trophy and deepest bend as far as it
    stands then, and where it last stood before push-off; and the time of the last."""
    body, down = serve.body, standing(serve, "front", part)
    start, stop = time_of(serve, "stance"), time_of(serve, "push_off")
    inside = body.between(start, stop)
    held = inside[down[inside]]
    if len(held) < 2:
        raise NotSeen(f"the front {part} was not seen on the ground between stance and push-off")
    last = float(body.t_s[held[-1]])
    xy = body.point(f"front_{part}")[:, :2]
    told = [serve.events.time(name) for name in _INSTANTS]
    times = [t for t in told if t is not None and t < last - _LAST_S and down[body.at(t)]]
    around = [body.between(t - _LAST_S / 2, t + _LAST_S / 2) for t in times]
    around.append(held[body.t_s[held] >= last - _LAST_S])
    places = np.array([np.nanmedian(xy[k], axis=0) for k in around if not np.isnan(xy[k]).all()])
    if len(places) < 2:
        raise NotSeen(f"the front {part} stood too shortly between stance and push-off")
    return places, last


def way_on_ground(part: str) -> Compute:
    """Length of a front-foot point's way on the ground through its places at the instants of the serve."""

    def compute(serve: Serve) -> Reading:
        places, last = _places(serve, part)
        return Reading(float(np.linalg.norm(np.diff(places, axis=0), axis=1).sum()), last)

    return compute


def slide_on_ground(part: str) -> Compute:
    """Distance between a front-foot point's first and last place on the ground, stance to push-off."""

    def compute(serve: Serve) -> Reading:
        places, last = _places(serve, part)
        return Reading(float(np.linalg.norm(places[-1] - places[0])), last)

    return compute


def pivot(serve: Serve) -> Reading:
    """Where along the foot the point lies that moved least while both ends were down: 0 the heel, 1 the toe."""
    unseen = "heel and toe of the front foot were not seen together"
    ends = [serve.body.point(f"front_{part}")[:, :2] for part in ("heel", "toe")]
    before = [in_stance(serve, place, unseen) for place in ends]
    both = touching(serve, "front", "heel") & touching(serve, "front", "toe")
    inside = serve.body.between(time_of(serve, "stance"), time_of(serve, "push_off"))
    down = inside[both[inside]]
    if not len(down):
        return absent("the front foot was not seen flat on the ground")
    t = float(serve.body.t_s[down[-1]])
    heel, toe = (value_at(serve.body.t_s, place, t) - was for place, was in zip(ends, before, strict=True))
    was, now = before[1] - before[0], before[1] + toe - before[0] - heel
    turned = np.arctan2(was[0] * now[1] - was[1] * now[0], was @ now)
    if abs(turned) < _LEAST_TURN_RAD:
        return absent("the foot turned less than 5° while it was flat on the ground: there is no pivot to tell")
    gap = toe - heel
    return Reading(float(-(heel @ gap) / (gap @ gap)), t)


COMPUTE: dict[str, Compute] = {
    "front_foot_turn": turn,
    "front_foot_turn_largest": largest_turn,
    "front_foot_yaw_stance": heading("stance"),
    "front_foot_yaw_deepest_bend": heading("deepest_bend"),
    "front_foot_yaw_push_off": heading("push_off"),
    "front_toe_path": way_on_ground("toe"),
    "front_heel_path": way_on_ground("heel"),
    "front_toe_slide": slide_on_ground("toe"),
    "front_heel_slide": slide_on_ground("heel"),
    "front_foot_pivot": pivot,
}
