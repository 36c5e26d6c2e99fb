"""The measures of a rendered serve from its truth file, by the same definitions. For demo and tests only."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from recon.body import Body
from recon.measures import MEASURES, Athlete
from recon.records import EVENT_NAMES, Event, Events

_ATTRIBUTE = {"racket_low": "event_racket_low_point_s"}
_EXACT_S = 1e-6


def true_body(truth: Path, every: int = 4) -> Body:
    """The athlete's true motion (scene time), every fourth sample: 240 Hz of the truth's 960."""
    with xr.open_dataset(truth, engine="h5netcdf") as data:
        xyz = data["xyz_m"].values[::every]
        t = data["time"].values[::every]
        names = tuple(str(name) for name in data["keypoint"].values)
        handedness = str(data.attrs["handedness"])
    return Body(t, names, xyz, np.gradient(xyz, t, axis=0), handedness)


def true_events(truth: Path) -> Events:
    """The scripted instants; the stance is the 0.2 s before the start, its middle 0.1 s before."""
    with xr.open_dataset(truth, engine="h5netcdf") as data:
        attributes = dict(data.attrs)
    found = []
    for name in EVENT_NAMES:
        if name == "stance":
            found.append(Event(name, float(attributes["event_start_s"]) - 0.1, _EXACT_S))
            continue
        value = attributes.get(_ATTRIBUTE.get(name, f"event_{name}_s"))
        known = value is not None and np.isfinite(float(value))
        found.append(
            Event(name, float(value), _EXACT_S) if known else Event(name, None, None, "the script has none")
        )
    return Events(tuple(found))


def true_measures(truth: Path) -> dict[str, float | None]:
    """Measure name -> true value in SI units, None where the script has no such thing."""
    with xr.open_dataset(truth, engine="h5netcdf") as data:
        athlete = Athlete(height_m=float(data.attrs["height_m"]))
    body, events = true_body(truth), true_events(truth)
    return {name: d.compute(body, events, athlete).value for name, d in MEASURES.items()}
