"""One athlete's motion in the words of the trade: hitting and tossing side, front and back leg, spine plane.

Shared by the stages that name instants and take measures; knows geometry, no thresholds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.records import Motion, side_names


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A motion seen as a body. h is +1 for a right-hander, −1 for a left-hander.

    t_s (T,), xyz_m and velocity_m_s (T, P, 3) in the court frame; NaN where a point is absent.
    """

    t_s: Array
    keypoints: tuple[str, ...]
    xyz_m: Array
    velocity_m_s: Array
    handedness: str

    @classmethod
    def of(cls, motion: Motion, handedness: str) -> Body:
        """The body of a motion; handedness is "right" or "left"."""
        return cls(motion.t_s, motion.keypoints, motion.xyz_m, motion.velocity_m_s, handedness)

    @property
    def h(self) -> float:
        """+1 for a right-hander, −1 for a left-hander."""
        return 1.0 if self.handedness == "right" else -1.0

    def _column(self, name: str) -> int:
        role, _, part = name.partition("_")
        sides = side_names(self.handedness)
        return self.keypoints.index(f"{sides[role]}_{part}" if role in sides else name)

    def point(self, name: str) -> Array:
        """(T, 3) of a stored point, or of one named by role: hitting_wrist, tossing_wrist, front_hip, …"""
        return np.asarray(self.xyz_m[:, self._column(name)])

    def rate(self, name: str) -> Array:
        """(T, 3) velocity of a point named as for `point`, m/s."""
        return np.asarray(self.velocity_m_s[:, self._column(name)])

    def middle(self, part: str) -> Array:
        """(T, 3) mean of left and right."""
        return (self.point(f"left_{part}") + self.point(f"right_{part}")) / 2

    @property
    def step_s(self) -> float:
        """Time from one sample to the next."""
        return float(self.t_s[1] - self.t_s[0])

    def at(self, t_s: float) -> int:
        """Index of the sample nearest to a rig time."""
        return int(np.abs(self.t_s - t_s).argmin())

    def between(self, start_s: float, stop_s: float) -> NDArray[np.intp]:
        """Indices of the samples in [start_s, stop_s]."""
        return np.flatnonzero((self.t_s >= start_s - 1e-9) & (self.t_s <= stop_s + 1e-9))


kept = lru_cache(maxsize=16)
"""Some measures ask for the same angles of one body, at other instants: no more than a few bodies are kept."""


def read_only(values: Array) -> Array:
    """The same array, which nobody can change any more: kept curves are shared."""
    values.flags.writeable = False
    return values


def interior_angle_rad(a: Array, vertex: Array, b: Array) -> Array:
    """Angle (T,) at `vertex` between the directions to a and to b, 0 … π."""
    u, v = a - vertex, b - vertex
    return np.asarray(np.arctan2(np.linalg.norm(np.cross(u, v), axis=-1), (u * v).sum(axis=-1)))


@kept
def knee_flexion_rad(body: Body, leg: str) -> Array:
    """(T,) flexion of the "front" or "back" knee: π minus the interior hip-knee-ankle angle, 0 straight."""
    hip, knee, ankle = (body.point(f"{leg}_{part}") for part in ("hip", "knee", "ankle"))
    return read_only(np.pi - interior_angle_rad(hip, knee, ankle))


@kept
def elbow_angle_rad(body: Body) -> Array:
    """(T,) interior angle of the hitting elbow, shoulder-elbow-wrist; π is straight."""
    shoulder, elbow, wrist = (body.point(f"hitting_{part}") for part in ("shoulder", "elbow", "wrist"))
    return read_only(interior_angle_rad(shoulder, elbow, wrist))


def unit(v: Array) -> Array:
    """Rows (..., 3) scaled to length one."""
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


@dataclass(frozen=True, slots=True, eq=False)
class SpinePlane:
    """The plane through spine and front of the trunk, per sample.

    origin_m (T, 3) mid-shoulder; along (T, 3) up the spine; side (T, 3) its normal, towards the hitting
    side; front (T, 3) anterior. The plane holds the origin and spans (along, front).
    """

    origin_m: Array
    along: Array
    side: Array
    front: Array


def spine_plane(body: Body) -> SpinePlane:
    """s = unit(mid-shoulder − mid-hip); n = shoulder line made orthogonal to s; a = h (s × n)."""
    shoulders = body.middle("shoulder")
    s = unit(shoulders - body.middle("hip"))
    line = body.point("hitting_shoulder") - body.point("tossing_shoulder")
    n = unit(line - (line * s).sum(axis=-1, keepdims=True) * s)
    return SpinePlane(shoulders, s, n, body.h * np.cross(s, n))


@kept
def tip_to_spine_plane_m(body: Body) -> tuple[Array, Array]:
    """(T,) signed distance of the racket tip from the spine plane, positive on the hitting side, and (T,) how
    far it is in front of the trunk (negative behind it)."""
    plane = spine_plane(body)
    arm = body.point("racket_tip") - plane.origin_m
    return read_only((arm * plane.side).sum(axis=-1)), read_only((arm * plane.front).sum(axis=-1))


@kept
def foot_yaw_rad(body: Body, foot: str) -> Array:
    """(T,) heading of the "front" or "back" foot on the ground, unwrapped: 0 points along the baseline to the
    hitting-side sideline, +π/2 to the net."""
    d = body.point(f"{foot}_toe") - body.point(f"{foot}_heel")
    yaw = np.arctan2(d[:, 1], body.h * d[:, 0])
    known = ~np.isnan(yaw)
    yaw[known] = np.unwrap(yaw[known])
    return read_only(yaw)
