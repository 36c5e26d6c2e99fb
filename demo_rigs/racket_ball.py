"""The racket in the hand and the ball's path: held, tossed under gravity, struck."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from demo_rigs.body import Body
from demo_rigs.kinematics import turn, unit
from recon.records.arc import arc

GRAVITY_M_S2 = 9.81
BALL_RADIUS_M = 0.0335
DRAG_PER_M = 0.0193
"""Deceleration over speed squared: air of 1.2 kg/m³, drag coefficient 0.525, 57.7 g (recon/flight/kinds.py)."""
LENGTH_M = 0.685
HEAD_CENTRE_M = 0.515
"""Along the racket from the butt end; the head is an ellipse about this point."""
HEAD_HALF_M = (0.125, 0.170)  # across, along: outer frame's middle line
BAND_M = 0.045
TIP_HALF_ANGLE = np.radians(24.0)
"""The tip's tape covers the frame's top arc to both sides by this angle of the ellipse's parameter."""
TAPE_M = {"racket_butt": BAND_M / 2, "racket_throat": 0.335}
_GRIP_M = 0.120  # middle of the hand along the handle: the butt's tape stays in view
_FADE_S = 0.09  # the fingers open: the ball leaves the palm's own path over this time


def tip_m() -> float:
    """Where the middle of the tip's tape lies on the racket's axis: mean of the taped arc."""
    a = np.linspace(-TIP_HALF_ANGLE, TIP_HALF_ANGLE, 201)
    across, along = HEAD_HALF_M[0] * np.sin(a), HEAD_HALF_M[1] * np.cos(a)
    weight = np.hypot(np.gradient(across, a), np.gradient(along, a))
    return HEAD_CENTRE_M + float((along * weight).sum() / weight.sum())


@dataclass(frozen=True, slots=True, eq=False)
class Grip:
    """The racket in a right hand at rest. axes: columns across, face normal, butt → tip; butt: its end (3,)."""

    axes: Array
    butt: Array

    def points(self, along_m: Array, across_m: Array | float = 0.0, normal_m: Array | float = 0.0) -> Array:
        """Points of the racket (N, 3) in the hand's rest frame."""
        a, b, c = np.broadcast_arrays(across_m, normal_m, along_m)
        return np.asarray(self.butt + np.stack([a, b, c], axis=-1) @ self.axes.T)


def right_grip(body: Body, tilt_deg: float, face_deg: float) -> Grip:
    """A racket gripped by the right hand.

    tilt_deg: angle of the handle from the thumb side towards the fingers' direction; face_deg: turn of the
    face about the handle, 0 with the palm flat behind the strings.
    """
    wrist, index, little = (body.joint(f"{b}.R") for b in ("wrist", "finger2-1", "finger5-1"))
    x, rho = unit(body.joint("finger3-1.R") - wrist), unit(index - little)
    rho = unit(rho - (rho @ x) * x)
    palm = np.cross(rho, x)
    tilt = np.radians(tilt_deg)
    axis = np.cos(tilt) * rho + np.sin(tilt) * x
    normal = turn(axis, np.radians(face_deg)) @ palm
    middle = 0.62 * (index + little) / 2 + 0.38 * wrist + 0.032 * palm + 0.01 * x
    return Grip(np.stack([np.cross(normal, axis), normal, axis], axis=-1), middle - _GRIP_M * axis)


def palm_point(body: Body) -> Array:
    """Where a ball lies in the left hand at rest: on the roots of the fingers."""
    wrist, index, little = (body.joint(f"{b}.L") for b in ("wrist", "finger2-1", "finger5-1"))
    x, rho = unit(body.joint("finger3-1.L") - wrist), unit(index - little)
    palm = np.cross(x, rho)
    return np.asarray((index + little) / 2 + 0.047 * palm + 0.02 * x)


@dataclass(frozen=True, slots=True, eq=False)
class Toss:
    """Free flight from release to contact, slowed by the air."""

    release_s: float
    contact_s: float
    start_m: Array
    velocity_m_s: Array

    def at(self, t_s: Array) -> Array:
        """Ball centres (T, 3)."""
        dt = np.asarray(t_s, dtype=float) - self.release_s
        return arc(self.start_m, self.velocity_m_s, GRAVITY_M_S2, DRAG_PER_M, dt)[0]


def toss_between(release_s: float, start_m: Array, contact_s: float, end_m: Array) -> Toss:
    """The only flight that joins two points in a given time."""
    T = contact_s - release_s
    v = (end_m - start_m) / T + 0.5 * GRAVITY_M_S2 * T * np.eye(3)[2]
    toss = Toss(release_s, contact_s, start_m, v)
    for _ in range(12):  # what the drag costs shrinks twentyfold each time
        v = v + (end_m - toss.at(np.array([contact_s]))[0]) / T
        toss = Toss(release_s, contact_s, start_m, v)
    return toss


def held_shift(t_s: Array, release_s: float, velocity_gap: Array) -> Array:
    """Small move (T, 3) of the held ball against the palm that ends at release with `velocity_gap`, metres.

    C2 at its beginning. The toss needs one exact velocity; the palm's own differs by a little, and the opening
    fingers make up the difference.
    """
    u = np.clip((np.asarray(t_s) - release_s) / _FADE_S + 1, 0, 1)[:, None]
    return np.asarray(velocity_gap * _FADE_S * (u**4 / 4))


def launch(start_m: Array, speed_m_s: float, landing_m: Array) -> Array:
    """Velocity (3,) of a given speed with which the ball lands at a point (2,), on the flatter way."""
    aim = np.array([*landing_m, BALL_RADIUS_M])
    for _ in range(40):
        v = aim - start_m
        v = v * speed_m_s / np.linalg.norm(v)
        T = _lands_after(start_m, v)
        at = arc(start_m, v, GRAVITY_M_S2, DRAG_PER_M, np.array([T]))[0][0, :2]
        off = landing_m - at
        ahead = v[:2] / np.linalg.norm(v[:2])
        aim[:2] += off - (off @ ahead) * ahead  # to the side by turning,
        aim[2] += (
            (off @ ahead) * (start_m[2] - BALL_RADIUS_M) / np.linalg.norm(landing_m - start_m[:2])
        )  # far by height
    return v


def _lands_after(start_m: Array, velocity_m_s: Array) -> float:
    """Seconds until the ball touches the ground, by halving."""
    low, high = 0.0, 4.0
    for _ in range(50):
        middle = (low + high) / 2
        z = arc(start_m, velocity_m_s, GRAVITY_M_S2, DRAG_PER_M, np.array([middle]))[0][0, 2]
        low, high = (middle, high) if z > BALL_RADIUS_M else (low, middle)
    return low


def struck(t_s: Array, contact_s: float, start_m: Array, velocity_m_s: Array, end_y_m: float) -> Array:
    """Ball centres (T, 3) after contact: drag, one plain bounce per ground contact, NaN beyond end_y_m."""
    t = np.asarray(t_s, dtype=float)
    out = np.full((len(t), 3), np.nan)
    p, v, t0 = np.array(start_m), np.array(velocity_m_s), contact_s
    for _ in range(3):
        T = _lands_after(p, v)
        now = (t >= t0) & (t <= t0 + T)
        if now.any():
            out[now] = arc(p, v, GRAVITY_M_S2, DRAG_PER_M, t[now] - t0)[0]
        at, fast = arc(p, v, GRAVITY_M_S2, DRAG_PER_M, np.array([T]))
        p = np.array([at[0, 0], at[0, 1], BALL_RADIUS_M + 1e-9])
        v = np.array([0.68, 0.68, -0.72]) * fast[0]
        t0 += T
    out[out[:, 1] > end_y_m] = np.nan
    return out
