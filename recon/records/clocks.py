"""How the cameras' clocks and shutters relate to rig time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput

SIDES = ("top", "bottom", "left", "right")
"""Of the upright picture. A telephone filming upright reads its sensor from the left or the right."""

NOT_TOLD = "not told"
"""A shutter of which nothing is known but that it is read within the time of a frame."""

ASSUMED = "assumed"
"""A drift of which nothing is known but what clocks usually do."""


@dataclass(frozen=True, slots=True)
class Shutter:
    """How one camera's sensor is read out.

    readout_s, u_s  from exposing the first row to the last (rolling shutter); 0: all rows at once
    first_side      which side of the upright picture is exposed first, of SIDES
    source          where that is known from
    """

    readout_s: float = 0.0
    u_s: float = 0.0
    first_side: str = "top"
    source: str = "told"

    def __post_init__(self) -> None:
        if not (0 <= self.readout_s < np.inf and 0 <= self.u_s < np.inf):
            raise BadInput(f"shutter: want readout and its u >= 0 s, got {self}")
        if self.first_side not in SIDES:
            raise BadInput(f"shutter: want the first side to be one of {', '.join(SIDES)}, got {self}")


@dataclass(frozen=True, slots=True)
class Clock:
    """How one camera's clock and shutter relate to rig time, the reference camera's clock.

    offset_s, u_s            how far rig time is ahead at camera time at_s, and its u (the reference: 0)
    drift, u_drift           seconds that rig time gains on it per second of its own, from at_s on
    readout_s, u_readout_s, first_side, shutter_source  see Shutter. A frame's time is that of its middle row
    source, drift_source     what it was found from; a drift may be nothing but ASSUMED
    """

    camera: str
    offset_s: float
    u_s: float
    drift: float = 0.0
    u_drift: float = 0.0
    readout_s: float = 0.0
    u_readout_s: float = 0.0
    source: str = "motion"
    first_side: str = "top"
    shutter_source: str = "told"
    at_s: float = 0.0
    drift_source: str = ASSUMED

    def __post_init__(self) -> None:
        Shutter(self.readout_s, self.u_readout_s, self.first_side, self.shutter_source)

    def camera_time(self, t_rig_s: Array | float) -> Array:
        """Frame times (T,) on this camera's own clock, of what its middle row saw at rig times (T,)."""
        ahead = np.asarray(t_rig_s, dtype=float) - self.offset_s - self.at_s
        return np.asarray(self.at_s + ahead / (1 + self.drift))

    def rig_time(
        self, t_cam_s: Array | float, uv_px: Array | None = None, size_px: tuple[int, int] = (1, 1)
    ) -> Array:
        """Rig times of frame times (T,); with uv_px (T, ..., 2), when each pixel's own row was exposed.

        size_px: of the picture.
        """
        t = np.asarray(t_cam_s, dtype=float)
        rig = t + self.offset_s + self.drift * (t - self.at_s)
        if uv_px is None:
            return np.asarray(rig)
        share = self.row_share(uv_px, size_px)
        rig = rig.reshape(rig.shape + (1,) * (share.ndim - rig.ndim))
        if self.readout_s == 0:  # also where the pixel is not known
            return np.asarray(rig + np.zeros_like(share))
        return np.asarray(rig + self.readout_s * share)

    def row_share(self, uv_px: Array, size_px: tuple[int, int]) -> Array:
        """By what share of the readout pixels (..., 2) come later than the middle row: -0.5 to 0.5."""
        axis = 1 if self.first_side in ("top", "bottom") else 0
        share = (np.asarray(uv_px, dtype=float)[..., axis] + 0.5) / size_px[axis] - 0.5
        return np.asarray(share if self.first_side in ("top", "left") else -share)


@dataclass(frozen=True, slots=True)
class Clocks:
    """The clocks of all cameras. The reference camera's clock is rig time.

    joint   (3C, 3C) covariance of offset, drift and readout of every clock, in their order; where there is none
            they are independent, with the u that each clock states
    """

    reference: str
    clocks: tuple[Clock, ...]
    joint: tuple[tuple[float, ...], ...] = ()

    def __post_init__(self) -> None:
        if self.reference not in [c.camera for c in self.clocks]:
            raise BadInput(f"clocks: the reference camera {self.reference!r} is not among {self.clocks}")
        if self.joint:
            n = 3 * len(self.clocks)
            joint = checked(self.joint, (n, n), "clocks: joint")
            if not np.allclose(np.diag(joint), self._u() ** 2, rtol=1e-6, atol=1e-30):
                raise BadInput("clocks: want each u to be the root of its variance in joint")

    def _u(self) -> Array:
        return np.array([u for c in self.clocks for u in (c.u_s, c.u_drift, c.u_readout_s)])

    def covariance(self) -> Array:
        """(3C, 3C) of offset (s), drift and readout (s) of every clock, in the clocks' order."""
        return np.array(self.joint) if self.joint else np.diag(self._u() ** 2)

    def of(self, camera: str) -> Clock:
        """The clock of one camera. Raises BadInput for an unknown name."""
        for c in self.clocks:
            if c.camera == camera:
                return c
        raise BadInput(f"clocks: no camera {camera!r}; there are {[c.camera for c in self.clocks]}")
