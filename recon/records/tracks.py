"""What each camera saw, on its own clock, and how the clocks relate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.records.noise import NoiseShape, usual_noise


@dataclass(frozen=True, slots=True, eq=False)
class CameraTracks:
    """2D points of one camera.

    t_cam_s  (T,) frame times on this camera's own clock, strictly increasing
    uv_px    (T, P, 2) pixel positions, NaN where a point was not seen
    sigma_px (T, P) standard uncertainty per axis, NaN exactly where uv_px is
    """

    camera: str
    size_px: tuple[int, int]
    t_cam_s: Array
    uv_px: Array
    sigma_px: Array

    def __post_init__(self) -> None:
        where = f"tracks of camera {self.camera}"
        t = checked(self.t_cam_s, (None,), f"{where}: t_cam_s")
        uv = checked(self.uv_px, (len(t), None, 2), f"{where}: uv_px", allow_nan=True)
        sigma = checked(self.sigma_px, (len(t), uv.shape[1]), f"{where}: sigma_px", allow_nan=True)
        if np.any(np.diff(t) <= 0):
            bad = int(np.argmax(np.diff(t) <= 0)) + 1
            raise BadInput(
                f"{where}: want increasing times, got {t[bad]} s after {t[bad - 1]} s at frame {bad}"
            )
        if np.any(np.isnan(uv).any(axis=2) != np.isnan(sigma)):
            raise BadInput(f"{where}: want sigma_px absent exactly where uv_px is")
        if np.any(sigma <= 0):
            raise BadInput(f"{where}: want sigma_px > 0, got {np.nanmin(sigma)}")
        for field, value in (("t_cam_s", t), ("uv_px", uv), ("sigma_px", sigma)):
            object.__setattr__(self, field, value)


@dataclass(frozen=True, slots=True, eq=False)
class Tracks2D:
    """2D points of all cameras of one clip. source says what found them.

    noise   one shape per keypoint; what is usual for each where none is given
    """

    keypoints: tuple[str, ...]
    cameras: tuple[CameraTracks, ...]
    source: str
    noise: tuple[NoiseShape, ...] = ()

    def __post_init__(self) -> None:
        if not self.noise:
            object.__setattr__(self, "noise", tuple(usual_noise(name) for name in self.keypoints))
        if len(self.noise) != len(self.keypoints):
            raise BadInput(f"tracks: want {len(self.keypoints)} noise shapes, got {len(self.noise)}")
        names = [c.camera for c in self.cameras]
        if len(set(names)) != len(names):
            raise BadInput(f"tracks: want each camera once, got {names}")
        for c in self.cameras:
            if c.uv_px.shape[1] != len(self.keypoints):
                raise BadInput(
                    f"tracks of camera {c.camera}: want {len(self.keypoints)} points, got {c.uv_px.shape[1]}"
                )

    def of(self, camera: str) -> CameraTracks:
        """The tracks of one camera. Raises BadInput for an unknown name."""
        for c in self.cameras:
            if c.camera == camera:
                return c
        raise BadInput(f"tracks: no camera {camera!r}; there are {[c.camera for c in self.cameras]}")

    def index(self, keypoint: str) -> int:
        """Column of a point. Raises BadInput for an unknown name."""
        if keypoint not in self.keypoints:
            raise BadInput(f"tracks: no keypoint {keypoint!r}")
        return self.keypoints.index(keypoint)


@dataclass(frozen=True, slots=True)
class Clock:
    """How one camera's clock and shutter relate to rig time, the reference camera's clock.

    offset_s, u_s            rig time of camera time 0, and its standard uncertainty (0 for the reference)
    drift, u_drift           seconds that rig time gains on it per second of its own
    readout_s, u_readout_s   from exposing the first row to the last (rolling shutter); 0: all rows at once.
                             A frame's time is that of its middle row
    source                   what it was found from
    """

    camera: str
    offset_s: float
    u_s: float
    drift: float = 0.0
    u_drift: float = 0.0
    readout_s: float = 0.0
    u_readout_s: float = 0.0
    source: str = "motion"

    def camera_time(self, t_rig_s: Array | float) -> Array:
        """Frame times (T,) on this camera's own clock, of what its middle row saw at rig times (T,)."""
        return np.asarray((np.asarray(t_rig_s, dtype=float) - self.offset_s) / (1 + self.drift))

    def rig_time(self, t_cam_s: Array | float, v_px: Array | None = None, height_px: int = 0) -> Array:
        """Rig times of frame times (T,); with v_px (T, ...), when the points' own rows were exposed."""
        t = np.asarray(t_cam_s, dtype=float)
        rig = t + self.offset_s + self.drift * t
        if v_px is None:
            return np.asarray(rig)
        rows = np.asarray(v_px, dtype=float)
        rig = rig.reshape(rig.shape + (1,) * (rows.ndim - rig.ndim))
        if self.readout_s == 0:
            return np.asarray(rig + np.zeros_like(rows))
        return np.asarray(rig + self.readout_s * ((rows + 0.5) / height_px - 0.5))


@dataclass(frozen=True, slots=True)
class Clocks:
    """The clocks of all cameras. The reference camera's clock is rig time."""

    reference: str
    clocks: tuple[Clock, ...]

    def __post_init__(self) -> None:
        if self.reference not in [c.camera for c in self.clocks]:
            raise BadInput(f"clocks: the reference camera {self.reference!r} is not among {self.clocks}")

    def of(self, camera: str) -> Clock:
        """The clock of one camera. Raises BadInput for an unknown name."""
        for c in self.clocks:
            if c.camera == camera:
                return c
        raise BadInput(f"clocks: no camera {camera!r}; there are {[c.camera for c in self.clocks]}")
