"""Measures of the INVENTED example by the shortest formulas that give plausible values.

For tests of what shows results. The real definitions are in recon; do not compare these stand-ins with them.
"""

from __future__ import annotations

import numpy as np

from calibration import Array
from recon.body import unit
from recon.records import Events, Measure, MeasureSet, Motion, side_names

_SPLIT = {"pixels and calibration": 0.6, "joint centres": 0.74, "clocks": 0.3}


def _tip_distance_m(motion: Motion, side: dict[str, str]) -> Array:
    """(T,) signed distance of the tip from the spine plane, positive on the hitting side."""
    hit, toss = motion.path(f"{side['hitting']}_shoulder"), motion.path(f"{side['tossing']}_shoulder")
    middle = (hit + toss) / 2
    s = unit(middle - (motion.path("left_hip") + motion.path("right_hip")) / 2)
    n = unit((hit - toss) - np.sum((hit - toss) * s, axis=1, keepdims=True) * s)
    return np.asarray(np.sum(n * (motion.path("racket_tip") - middle), axis=1))


def _bend(motion: Motion, side: str, joints: tuple[str, str, str]) -> Array:
    """(T,) interior angle, rad."""
    a, b, c = (motion.path(f"{side}_{j}") for j in joints)
    return np.asarray(np.arccos(np.sum(unit(a - b) * unit(c - b), axis=1)))


def _yaw(motion: Motion, side: str, h: int) -> Array:
    d = motion.path(f"{side}_toe") - motion.path(f"{side}_heel")
    return np.unwrap(np.arctan2(d[:, 1], h * d[:, 0]))


def _measure(
    name: str, label: str, unit: str, value: float, u: float, t_s: float | None, note: str = ""
) -> Measure:
    sources = {source: share * u for source, share in _SPLIT.items()}
    return Measure(name, label, unit, value, u, value - 1.96 * u, value + 1.96 * u, sources, t_s, note)


def example_measures(motion: Motion, events: Events, handedness: str, height_m: float) -> MeasureSet:
    """All stored measures; the back knee at the deepest bend is absent, with a reason."""
    side = dict(side_names(handedness))
    t = motion.t_s
    at = {e.name: motion.nearest(e.t_s) for e in events.events if e.t_s is not None}
    d = _tip_distance_m(motion, side)
    drop = at["trophy"] + int(np.argmin(d[at["trophy"] : at["racket_low"] + 1]))
    hip = motion.path(f"{side['front']}_hip")[:, 1]
    mid_hip = (motion.path("left_hip") + motion.path("right_hip"))[:, 1] / 2
    toe = motion.path(f"{side['front']}_toe")[:, 1]
    load = slice(at["release"], at["push_off"] + 1)
    yaw = _yaw(motion, side["front"], 1 if handedness == "right" else -1)
    elbow = _bend(motion, side["hitting"], ("shoulder", "elbow", "wrist"))
    knee = {w: np.pi - _bend(motion, side[w], ("hip", "knee", "ankle")) for w in ("front", "back")}
    contact_m = float(motion.path("ball")[at["contact"], 2])
    feet = [motion.path(f"{s}_{p}") for s in ("left", "right") for p in ("toe", "heel")]
    clear_m = min(float(-f[: at["push_off"], 1][f[: at["push_off"], 2] < 0.04].max()) for f in feet) - 0.02

    def length(name: str, label: str, values: Array, i: int, u: float, note: str = "") -> Measure:
        return _measure(name, label, "m", float(values[i]), u, float(t[i]), note)

    def angle(name: str, label: str, values: Array, event: str, u_deg: float) -> Measure:
        i = at[event]
        return _measure(name, label, "rad", float(values[i]), float(np.deg2rad(u_deg)), float(t[i]))

    def largest(values: Array) -> int:
        return load.start + int(np.argmax(values[load]))

    trunk = "behind the trunk" if drop > at["deepest_bend"] else "in front of the trunk"
    i_max, i_mid, i_toe = largest(hip), largest(mid_hip), largest(hip - toe)
    turn = yaw - yaw[at["stance"]]
    t_contact = float(t[at["contact"]])
    hidden = Measure(
        "back_knee_flexion_deepest", "Back knee flexion, deepest", "rad", None,
        reason="the back knee was hidden from all cameras but one",
    )  # fmt: skip
    clear = "clear" if clear_m > 0.026 else "cannot be told"
    ratio = contact_m / height_m
    rows = (
        length("spine_plane_min", "Racket tip to spine plane, smallest", d, drop, 0.021, trunk),
        length("spine_plane_at_trophy", "Racket tip to spine plane at trophy", d, at["trophy"], 0.024),
        length("hip_past_baseline_max", "Front hip past the baseline, largest", hip, i_max, 0.0421),
        length("hip_past_baseline_trophy", "Front hip past the baseline at trophy", hip, at["trophy"], 0.043),
        length("hip_past_baseline_contact", "Front hip past the baseline at contact", hip, at["contact"], 0.05),
        length("midhip_past_baseline_max", "Mid-hip past the baseline, largest", mid_hip, i_mid, 0.031),
        length("hip_past_front_toe_max", "Front hip past the front toe, largest", hip - toe, i_toe, 0.044),
        angle("front_foot_yaw_stance", "Front foot heading in the stance", yaw, "stance", 3.2),
        angle("front_foot_yaw_deepest_bend", "Front foot heading at deepest bend", yaw, "deepest_bend", 3.3),
        angle("front_foot_yaw_push_off", "Front foot heading at push-off", yaw, "push_off", 3.9),
        angle("front_foot_turn", "Front foot turn, stance to push-off", turn, "push_off", 4.6),
        angle("elbow_angle_trophy", "Hitting elbow at trophy", elbow, "trophy", 6.1),
        angle("front_knee_flexion_trophy", "Front knee flexion at trophy", knee["front"], "trophy", 4.4),
        angle("back_knee_flexion_trophy", "Back knee flexion at trophy", knee["back"], "trophy", 4.7),
        angle("front_knee_flexion_deepest", "Front knee flexion, deepest", knee["front"], "deepest_bend", 4.4),
        hidden,
        _measure("foot_fault_clearance", "Feet behind the baseline, smallest clearance", "m", clear_m, 0.013,
                 float(t[at["push_off"]]), clear),
        _measure("contact_height", "Contact height", "m", contact_m, 0.018, t_contact),
        _measure("contact_height_ratio", "Contact height ÷ body height", "1", ratio, 0.012, t_contact),
    )  # fmt: skip
    return MeasureSet(rows)
