"""The measures of a rendered serve from its truth file, by the same definitions. For demo and tests only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from calibration.checks import Array
from demo_rigs.racket_ball import DRAG_PER_M, GRAVITY_M_S2
from recon.body import Body
from recon.events import told_by_curves
from recon.measures import MEASURES, Athlete, Serve
from recon.records import EVENT_NAMES, BallFlight, Event, Events

_ATTRIBUTE = {"racket_low": "event_racket_low_point_s"}
_EXACT_S = 1e-6
_SIGHTED = 0.02  # seconds over which a path's beginning is read


def true_body(truth: Path, every: int = 4) -> Body:
    """The athlete's true motion (scene time), every fourth sample: 240 Hz of the truth's 960."""
    with xr.open_dataset(truth, engine="h5netcdf") as data:
        xyz = data["xyz_m"].values[::every]
        t = data["time"].values[::every]
        names = tuple(str(name) for name in data["keypoint"].values)
        handedness = str(data.attrs["handedness"])
    return Body(t, names, xyz, np.gradient(xyz, t, axis=0), handedness)


def true_events(truth: Path) -> Events:
    """The scripted instants; the stance is the 0.2 s before the start, its middle 0.1 s before.

    Instants that are defined by a curve of the body alone (start of the lift, onset of the bend, settled) are
    read off the true curve.
    """
    with xr.open_dataset(truth, engine="h5netcdf") as data:
        attributes = dict(data.attrs)
    scripted = {name: _scripted(name, attributes) for name in EVENT_NAMES}
    curved = {e.name: e for e in told_by_curves(true_body(truth), scripted)}
    return Events(tuple(curved.get(name, event) for name, event in scripted.items()))


def _scripted(name: str, attributes: Mapping[str, Any]) -> Event:
    if name == "stance":
        return Event(name, float(attributes["event_start_s"]) - 0.1, _EXACT_S)
    value = attributes.get(_ATTRIBUTE.get(name, f"event_{name}_s"))
    known = value is not None and np.isfinite(value)
    return Event(name, float(value or 0), _EXACT_S) if known else Event(name, None, None, "the script has none")


def true_flight(truth: Path) -> BallFlight | None:
    """The ball's true path from release until just after contact; None where there is no ball."""
    with xr.open_dataset(truth, engine="h5netcdf") as data:
        t, ball = data["time"].values, data["xyz_m"].sel(keypoint="ball").values
        release, contact = (float(data.attrs[f"event_{name}_s"]) for name in ("release", "contact"))
    free = (t >= release) & (t <= contact) & ~np.isnan(ball[:, 0])
    struck = (t > contact) & (t <= contact + _SIGHTED) & ~np.isnan(ball[:, 0])
    if free.sum() < 3 or struck.sum() < 3:
        return None
    position, velocity = _start(t[free] - release, ball[free])
    _, after = _start(t[struck] - contact, ball[struck])
    return BallFlight(
        t0_s=release, t1_s=contact, position_m=position, velocity_m_s=velocity, gravity_m_s2=GRAVITY_M_S2,
        u_gravity_m_s2=0.0, rms_m=0.0, fall_m_s2=GRAVITY_M_S2, drag_per_m=DRAG_PER_M, release_s=release,
        contact_s=contact, struck_velocity_m_s=after, struck_sightings=int(struck.sum()),
    )  # fmt: skip


def _start(t: Array, xyz: Array) -> tuple[Array, Array]:
    """Position and velocity at t = 0, from the cubic through the path's first hundredths of a second."""
    first = t <= _SIGHTED
    _, _, slope, level = np.polyfit(t[first], xyz[first], 3)
    return level, slope


def true_measures(truth: Path, athlete: Athlete | None = None) -> dict[str, float | None]:
    """Measure name -> true value in SI units, None where the script has no such thing.

    athlete: what the session says of the serve, labels among it; the height is always the true one.
    """
    with xr.open_dataset(truth, engine="h5netcdf") as data:
        athlete = replace(athlete or Athlete(), height_m=float(data.attrs["height_m"]))
    serve = Serve(true_body(truth), true_events(truth), athlete, true_flight(truth))
    return {name: entry.compute(serve).value for name, entry in MEASURES.items()}
