"""Rolling shutters: what is taken where nobody says, and how clocks take them up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from recon.records import NOT_TOLD, Clocks, Shutter

_SLOWEST_S = 1 / 30
"""No video camera reads its sensor more slowly than it takes pictures at 30 a second (common practice)."""
_ALIKE = 0.5


def shutter_not_told(frame_s: float, first_side: str = "top") -> Shutter:
    """The shutter of a camera of which only the time from frame to frame is known.

    Anywhere from all rows at once to the whole frame, all alike probable: half of it, with the standard
    deviation of a rectangular distribution (JCGM 100:2008, 4.3.7).
    """
    longest = min(frame_s, _SLOWEST_S)
    return Shutter(longest / 2, longest / np.sqrt(12), first_side, NOT_TOLD)


def with_shutters(clocks: Clocks, shutters: Mapping[str, Shutter]) -> Clocks:
    """The clocks, each with its camera's shutter; a camera without one keeps its own.

    Cameras of one session are often of one kind, and as often not: readouts that nobody told count as
    correlated by a half (this project's assumption).
    """
    out = []
    for clock in clocks.clocks:
        s = shutters.get(clock.camera)
        if s is not None:
            clock = replace(
                clock,
                readout_s=s.readout_s,
                u_readout_s=s.u_s,
                first_side=s.first_side,
                shutter_source=s.source,
            )
        out.append(clock)
    covariance = clocks.covariance()
    readouts = np.arange(2, len(covariance), 3)
    covariance[readouts] = covariance[:, readouts] = 0.0
    u = np.array([c.u_readout_s for c in out])
    untold = np.array([c.shutter_source == NOT_TOLD for c in out])
    alike = np.where(np.outer(untold, untold), _ALIKE, 0.0)
    np.fill_diagonal(alike, 1.0)
    covariance[np.ix_(readouts, readouts)] = alike * np.outer(u, u)
    return Clocks(clocks.reference, tuple(out), tuple(map(tuple, covariance.tolist())))
