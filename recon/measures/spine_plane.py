"""Racket tip and spine plane: the first headline measure and what is derived from it."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import Body, kept, read_only, spine_plane, tip_to_spine_plane_m, unit
from recon.curves import largest, stretch
from recon.measures.reading import Compute, Reading, Serve, absent, at_event, time_of

_LEAST_SEEN = 0.7  # of the stretch from trophy to racket low point
_RISES_M = 0.03  # on both sides of a closest point seen in a shorter stretch, for it to be the closest
_FACE_ALONG_SPINE_RAD = np.radians(25.0)  # below it the face gives the trunk's front no direction


def _distance(body: Body) -> Array:
    return tip_to_spine_plane_m(body)[0]


@kept
def tip_to_head_plane_m(body: Body) -> Array:
    """(T,) the same distance with the trunk's front told by the face instead of the shoulders.

    a = unit((I - s sT)(nose - mid-ears)), n = h (a x s); NaN within 25 degrees between face and spine.
    """
    plane = spine_plane(body)
    s = plane.along
    face = body.point("nose") - body.middle("ear")
    across = face - (face * s).sum(axis=1, keepdims=True) * s
    slant = np.arctan2(np.linalg.norm(across, axis=1), np.abs((face * s).sum(axis=1)))
    with np.errstate(invalid="ignore"):
        normal = body.h * np.cross(unit(across), s)
    d = ((body.point("racket_tip") - plane.origin_m) * normal).sum(axis=1)
    d[~(slant >= _FACE_ALONG_SPINE_RAD)] = np.nan
    return read_only(d)


def _between(serve: Serve, values: Array) -> tuple[Array, Array]:
    return stretch(serve.body.t_s, values, time_of(serve, "trophy"), time_of(serve, "racket_low"))


def _closest(serve: Serve, values: Array, unseen: str) -> Reading:
    """The smallest value between trophy and racket low point; absent where it was not seen long enough."""
    times, d = _between(serve, values)
    if not len(times):
        return absent("trophy comes after the racket low point")
    if np.isnan(d).all():
        return absent(f"{unseen} between trophy and racket low point")
    k = int(np.nanargmin(d))
    if np.isnan(d).mean() > 1 - _LEAST_SEEN and not _turns_within(d, k):
        return absent(f"{unseen} long enough between trophy and racket low point")
    if np.isnan(d[max(k - 1, 0) : k + 2]).any():
        return absent("the racket tip was lost from sight where it comes closest to the spine plane")
    t, value = largest(times, -d)
    return Reading(-value, t)


def _turns_within(d: Array, k: int) -> bool:
    """Whether the run of known values about the smallest one, k, rises clearly to both sides of it."""
    unknown = np.flatnonzero(np.isnan(d))
    before, after = unknown[unknown < k], unknown[unknown > k]
    first = int(before[-1]) + 1 if len(before) else 0
    last = int(after[0]) - 1 if len(after) else len(d) - 1
    return bool(min(d[first], d[last]) > d[k] + _RISES_M)


def _across_s(times: Array, d: Array) -> float:
    """How long d is below zero, seconds; between samples by straight lines."""
    a, b = d[:-1], d[1:]
    share = np.clip(np.where(a != b, -np.minimum(a, b) / np.where(a != b, np.abs(a - b), 1), a < 0), 0, 1)
    return float(np.nansum(np.diff(times) * share))


def smallest(serve: Serve) -> Reading:
    """min d, and whether the tip is then in front of or behind the trunk."""
    reading = _closest(serve, _distance(serve.body), "the racket tip was not seen")
    if reading.value is None or reading.t_s is None:
        return reading
    front = tip_to_spine_plane_m(serve.body)[1][serve.body.at(reading.t_s)]
    place = "in front of" if front > 0 else "behind"
    across = _across_s(*_between(serve, _distance(serve.body)))
    crossed = f"across for {across:.2f} s" if across else "stays on the hitting side"
    return Reading(reading.value, reading.t_s, f"best estimate: {crossed}, tip then {place} the trunk")


def depth(serve: Serve) -> Reading:
    """max(0, -min d): how far beyond the plane the tip went."""
    reading = _closest(serve, _distance(serve.body), "the racket tip was not seen")
    return reading if reading.value is None else Reading(max(0.0, -reading.value), reading.t_s)


def time_across(serve: Serve) -> Reading:
    """How long d was below zero between trophy and racket low point."""
    if (reading := _closest(serve, _distance(serve.body), "the racket tip was not seen")).value is None:
        return reading
    return Reading(_across_s(*_between(serve, _distance(serve.body))), reading.t_s)


def head_smallest(serve: Serve) -> Reading:
    """min of the distance from the plane through spine and face."""
    unseen = "racket tip and face were not seen at a wide enough angle between face and spine"
    return _closest(serve, tip_to_head_plane_m(serve.body), unseen)


COMPUTE: dict[str, Compute] = {
    "spine_plane_min": smallest,
    "spine_plane_depth": depth,
    "spine_plane_time_across": time_across,
    "spine_plane_at_trophy": at_event(_distance, "trophy", "the racket tip was not seen at trophy"),
    "spine_plane_head_min": head_smallest,
}
