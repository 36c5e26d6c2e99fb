"""The feet and the lines that a server must not touch: Rules of Tennis, rules 16 and 18."""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from calibration.court.model import CENTRE_LINE_WIDTH_M, DOUBLES_WIDTH_M, SINGLES_WIDTH_M
from recon.foot_outline import reach_m
from recon.measures.feet import in_stance, middle_of_foot, touching
from recon.measures.reading import Compute, Reading, Serve, absent, time_of

_X, _Y = np.array([1.0, 0.0]), np.array([0.0, 1.0])
CLEARANCES = ("foot_fault_clearance", "centre_mark_clearance", "sideline_clearance")


def _farthest(serve: Serve, way: Array) -> tuple[float, float] | None:
    """(reach, time) of the shoes on the ground along a way, start to contact; None where none was seen."""
    body = serve.body
    window = body.between(time_of(serve, "start"), time_of(serve, "contact"))
    best: tuple[float, float] | None = None
    for foot in ("front", "back"):
        for part in ("heel", "toe"):
            reach = reach_m(body, foot, part, way, serve.athlete.shoe_margin_m)[window]
            down = touching(serve, foot, part)[window] & ~np.isnan(reach)
            if down.any():
                k = int(np.argmax(np.where(down, reach, -np.inf)))
                best = max(best or (-np.inf, 0.0), (float(reach[k]), float(body.t_s[window[k]])))
    return best


def _clear_of(serve: Serve, way: Array, line_m: float, note: str = "") -> Reading:
    found = _farthest(serve, way)
    if found is None:
        return absent("no foot was seen on the ground between start and contact")
    return Reading(line_m - found[0], found[1], note)


def baseline(serve: Serve) -> Reading:
    """Smallest distance of a shoe on the ground behind the rear edge of the baseline, start to contact.

    Negative where it reaches over the edge. Only touching counts: a foot in the air or a hip past the line is
    no fault.
    """
    return _clear_of(serve, _Y, 0.0)


def _right_of_mark(serve: Serve) -> float:
    """+1 where the serve is from the right of the centre mark, -1 from its left."""
    if serve.athlete.side is not None:
        return 1.0 if serve.athlete.side == "deuce" else -1.0
    feet = [
        in_stance(serve, middle_of_foot(serve.body, f)[:, 0], "the feet were not seen")
        for f in ("front", "back")
    ]
    return 1.0 if feet[0] + feet[1] >= 0 else -1.0


def centre_mark(serve: Serve) -> Reading:
    """Smallest distance of a shoe on the ground from the centre mark's continuation, on the serve's side."""
    right = _right_of_mark(serve)
    return _clear_of(serve, -right * _X, -CENTRE_LINE_WIDTH_M / 2)


def sideline(serve: Serve) -> Reading:
    """Smallest distance of a shoe on the ground inside the sideline's continuation, on the serve's side."""
    right = _right_of_mark(serve)
    doubles = serve.athlete.game == "doubles"
    note = "" if serve.athlete.game else "singles line taken"
    return _clear_of(serve, right * _X, (DOUBLES_WIDTH_M if doubles else SINGLES_WIDTH_M) / 2, note)


COMPUTE: dict[str, Compute] = {
    "foot_fault_clearance": baseline,
    "centre_mark_clearance": centre_mark,
    "sideline_clearance": sideline,
}
