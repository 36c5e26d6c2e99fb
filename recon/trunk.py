"""Angles of trunk, pelvis and hitting arm over time: proxies of the ISB frames, as docs/measures.md says.

Recommendations followed as far as points on a video go: Wu G et al. (2002) J Biomech 35:543-548 and Wu G et al.
(2005) J Biomech 38:981-992; shoulder line and hip line stand in for frames of bony landmarks.
"""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.body import Body, elbow_angle_rad, interior_angle_rad, kept, read_only, spine_plane, unit
from recon.curves import unwrapped

_UP = np.array([0.0, 0.0, 1.0])
_IN_LINE = np.sin(np.radians(25.0))
"""Of the angle between forearm and upper arm: straighter than that, a turn about the upper arm is not seen."""


@kept
def inclination_rad(body: Body) -> Array:
    """(T,) angle of the spine axis from the vertical."""
    s = spine_plane(body).along
    return read_only(np.arctan2(np.linalg.norm(s[:, :2], axis=1), s[:, 2]))


@kept
def lean_rad(body: Body) -> tuple[Array, Array]:
    """((T,) lean forwards, (T,) lean to the hitting side) in the trunk's own heading, which is horizontal."""
    s = spine_plane(body).along
    side = (body.point("hitting_shoulder") - body.point("tossing_shoulder")) * [1.0, 1.0, 0.0]
    with np.errstate(invalid="ignore", divide="ignore"):
        side = unit(side)
    ahead = body.h * np.cross(_UP, side)
    forward, sideways = ((s * way).sum(axis=1) for way in (ahead, side))
    return read_only(np.arctan2(forward, s[:, 2])), read_only(np.arctan2(sideways, s[:, 2]))


def _line(body: Body, part: str) -> Array:
    return body.point(f"hitting_{part}") - body.point(f"tossing_{part}")


@kept
def line_turn_rad(body: Body, part: str) -> Array:
    """(T,) turn of the line of hips ("hip") or shoulders ("shoulder") from the baseline, unwrapped.

    0: along the baseline, chest to the net; positive: the hitting side is turned away from the net.
    """
    d = _line(body, part)
    return read_only(unwrapped(np.arctan2(-d[:, 1], body.h * d[:, 0])))


@kept
def separation_rad(body: Body) -> Array:
    """(T,) angle about the spine from hip line to shoulder line; positive: shoulders farther from the net."""
    s = spine_plane(body).along
    hips, shoulders = (
        line - (line * s).sum(axis=1, keepdims=True) * s
        for line in (_line(body, part) for part in ("hip", "shoulder"))
    )
    about = (s * np.cross(hips, shoulders)).sum(axis=1)
    return read_only(-body.h * np.arctan2(about, (hips * shoulders).sum(axis=1)))


def _upper_arm(body: Body) -> Array:
    return body.point("hitting_elbow") - body.point("hitting_shoulder")


@kept
def elevation_rad(body: Body) -> Array:
    """(T,) angle of the hitting upper arm from the trunk pointing down: 0 hanging, 90 degrees square to it."""
    arm, s = _upper_arm(body), spine_plane(body).along
    return read_only(interior_angle_rad(arm, np.zeros(3), -s))


@kept
def off_shoulder_line_rad(body: Body) -> Array:
    """(T,) angle of the hitting upper arm from the shoulder line continued."""
    return read_only(interior_angle_rad(_upper_arm(body), np.zeros(3), _line(body, "shoulder")))


@kept
def over_shoulder_line_m(body: Body) -> Array:
    """(T,) how far the hitting elbow is over the shoulder line continued, along the spine square to it."""
    s, line = spine_plane(body).along, unit(_line(body, "shoulder"))
    up = unit(s - (s * line).sum(axis=1, keepdims=True) * line)
    return read_only((_upper_arm(body) * up).sum(axis=1))


@kept
def lay_back_rad(body: Body) -> Array:
    """(T,) turn of the hitting forearm about the upper arm: 0 ahead of the chest, 90 up the spine, 180 back.

    A proxy of the shoulder's external rotation that folds in how shoulder blade and trunk give way; NaN with
    the elbow within 25 degrees of straight. In [-90, 270) degrees.
    """
    plane = spine_plane(body)
    u = unit(_upper_arm(body))
    fore = body.point("hitting_wrist") - body.point("hitting_elbow")
    ahead = plane.front - (plane.front * u).sum(axis=1, keepdims=True) * u
    with np.errstate(invalid="ignore", divide="ignore"):
        ahead = unit(ahead)
    up = body.h * np.cross(u, ahead)
    angle = np.arctan2((fore * up).sum(axis=1), (fore * ahead).sum(axis=1))
    angle = np.where(angle < -np.pi / 2, angle + 2 * np.pi, angle)
    angle[~(np.sin(elbow_angle_rad(body)) > _IN_LINE)] = np.nan
    return read_only(angle)
