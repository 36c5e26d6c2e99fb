"""The invented serve that a plan is judged by: points, velocities and the instants the program finds in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from recon.body import Body
from recon.events import detect_events
from recon.planning.skeleton import POINTS, points_at
from recon.records import BallFlight, Events

GRID_HZ = 60.0
"""Samples that errors are propagated at; keypoint errors hang together over 0.13 s, eight samples."""
FINE_HZ = 240.0
"""Samples that instants are found in, and moved by their own uncertainty."""
SPAN_S = (-1.60, 0.10)
_RELEASE_S = -0.72
_GRAVITY_M_S2 = 9.81


@dataclass(frozen=True, slots=True, eq=False)
class InventedServe:
    """body at GRID_HZ, fine at FINE_HZ, times from contact; events with the uncertainty the program gives."""

    body: Body
    fine: Body
    events: Events
    height_m: float
    handedness: str


def invented_serve(
    height_m: float, handedness: str, frame_rate_hz: float, front_toe_x_m: float = 0.4
) -> InventedServe:
    """A serve of a stand-in athlete as cameras of this frame rate would let the program find its instants.

    Raises BadInput for a height outside 1 to 2.3 m (the keys are an adult's, scaled) and a frame rate below 25.
    """
    if not 1.0 <= height_m <= 2.3:
        raise BadInput(f"height_m: want 1.0 to 2.3 m, got {height_m}")
    if not frame_rate_hz >= 25:
        raise BadInput(f"frame_rate: want 25 pictures a second or more, got {frame_rate_hz}")
    bodies = [_body(rate, height_m, handedness, front_toe_x_m) for rate in (GRID_HZ, FINE_HZ, frame_rate_hz)]
    grid, fine, filmed = bodies
    # the program states a time's uncertainty from the frames it has
    events = detect_events(filmed, _toss(fine))
    return InventedServe(grid, fine, events, height_m, handedness)


def _body(rate_hz: float, height_m: float, handedness: str, front_toe_x_m: float) -> Body:
    first, last = round(SPAN_S[0] * rate_hz), round(SPAN_S[1] * rate_hz)
    t = np.arange(first, last + 1) / rate_hz  # contact is a sample
    step = 1e-4
    places = [points_at(t + dt, height_m, handedness, front_toe_x_m) for dt in (0.0, step, -step)]
    return Body(t, POINTS, places[0], (places[1] - places[2]) / (2 * step), handedness)


def _toss(body: Body) -> BallFlight:
    """The ball's free flight from the tossing hand to the middle of the racket head."""
    start = body.point("tossing_wrist")[body.at(_RELEASE_S)]
    k = body.at(0.0)
    end = (body.point("racket_tip")[k] + body.point("racket_throat")[k]) / 2
    velocity: Array = (end - start) / -_RELEASE_S
    velocity[2] += 0.5 * _GRAVITY_M_S2 * -_RELEASE_S
    return BallFlight(_RELEASE_S, 0.0, start, velocity, _GRAVITY_M_S2, 0.05, 0.003)
