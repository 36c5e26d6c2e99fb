"""Hip past the baseline: the second headline measure."""

from __future__ import annotations

from calibration.checks import Array
from recon.body import Body
from recon.measures.reading import Compute, at_event, largest_between


def _front(body: Body) -> Array:
    return body.point("front_hip")[:, 1]


def _middle(body: Body) -> Array:
    return body.middle("hip")[:, 1]


def _ahead_of_toe(body: Body) -> Array:
    return body.point("front_hip")[:, 1] - body.point("front_toe")[:, 1]


_UNSEEN = "the hips were not seen then"
COMPUTE: dict[str, Compute] = {
    "hip_past_baseline_max": largest_between(_front, "release", "push_off", "the front hip was not seen"),
    "hip_past_baseline_trophy": at_event(_front, "trophy", _UNSEEN),
    "hip_past_baseline_contact": at_event(_front, "contact", _UNSEEN),
    "midhip_past_baseline_max": largest_between(_middle, "release", "push_off", "the hips were not seen"),
    "midhip_past_baseline_trophy": at_event(_middle, "trophy", _UNSEEN),
    "midhip_past_baseline_contact": at_event(_middle, "contact", _UNSEEN),
    "hip_past_front_toe_max": largest_between(
        _ahead_of_toe, "release", "push_off", "front hip and toe were not seen together"
    ),
}
