"""Points in space over time: per frame, and as one smooth motion."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array, checked
from calibration.errors import BadInput


class PointStatus(IntEnum):
    """Why a point is there, or is not."""

    OK = 0
    TOO_FEW_VIEWS = 1  # fewer than two cameras saw it
    WEAK_PARALLAX = 2  # the rays meet at too small an angle
    BEHIND_CAMERA = 3  # the rays meet behind a camera
    OUTLIER = 4  # the cameras contradict each other
    BRIDGED = 5  # not measured here; the motion runs through from its neighbours in time
    INFERRED = 6  # not measured here; told by the rest of a rigid body


def _check_points(
    where: str,
    t_s: Array,
    xyz_m: Array,
    cov_m2: Array,
    status: NDArray[np.int8],
    present: tuple[PointStatus, ...],
) -> tuple[Array, Array, Array, NDArray[np.int8]]:
    t = checked(t_s, (None,), f"{where}: t_s")
    xyz = checked(xyz_m, (len(t), None, 3), f"{where}: xyz_m", allow_nan=True)
    cov = checked(cov_m2, (*xyz.shape, 3), f"{where}: cov_m2", allow_nan=True)
    codes = np.array(status, dtype=np.int8)
    if codes.shape != xyz.shape[:2]:
        raise BadInput(f"{where}: status: want shape {xyz.shape[:2]}, got {codes.shape}")
    if np.any(np.isin(codes, present) == np.isnan(xyz).any(axis=2)):
        raise BadInput(f"{where}: want xyz_m absent exactly where the status says so")
    codes.flags.writeable = False
    return t, xyz, cov, codes


@dataclass(frozen=True, slots=True, eq=False)
class Points3D:
    """Triangulated points, each instant on its own.

    frame   name of the coordinate frame
    t_s     (T,) rig time
    xyz_m   (T, P, 3) NaN exactly where the status is not OK
    cov_m2  (T, P, 3, 3) from the stated pixel uncertainty alone
    status  (T, P) PointStatus
    views   (T, P, C) which cameras were used, in the order of `cameras`
    """

    frame: str
    keypoints: tuple[str, ...]
    cameras: tuple[str, ...]
    t_s: Array
    xyz_m: Array
    cov_m2: Array
    status: NDArray[np.int8]
    views: NDArray[np.bool_]

    def __post_init__(self) -> None:
        values = _check_points("points", self.t_s, self.xyz_m, self.cov_m2, self.status, (PointStatus.OK,))
        for field, value in zip(("t_s", "xyz_m", "cov_m2", "status"), values, strict=True):
            object.__setattr__(self, field, value)

    def index(self, keypoint: str) -> int:
        """Column of a point. Raises BadInput for an unknown name."""
        if keypoint not in self.keypoints:
            raise BadInput(f"points: no keypoint {keypoint!r}")
        return self.keypoints.index(keypoint)


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """One smooth motion in the court frame.

    t_s           (T,) rig time, evenly spaced
    xyz_m         (T, P, 3) NaN where the status is none of OK, BRIDGED and INFERRED
    velocity_m_s  (T, P, 3) time derivative of the same curve
    cov_m2        (T, P, 3, 3) pixels, calibration and clocks together; keypoint-to-joint offset not included
    status        (T, P) PointStatus
    velocity_cov_m2_s2  (T, P, 3, 3) of the velocity, from pixels alone; NaN where nobody gave one
    """

    frame: str
    keypoints: tuple[str, ...]
    t_s: Array
    xyz_m: Array
    velocity_m_s: Array
    cov_m2: Array
    status: NDArray[np.int8]
    velocity_cov_m2_s2: Array | None = None

    def __post_init__(self) -> None:
        present = (PointStatus.OK, PointStatus.BRIDGED, PointStatus.INFERRED)
        values = _check_points("motion", self.t_s, self.xyz_m, self.cov_m2, self.status, present)
        for field, value in zip(("t_s", "xyz_m", "cov_m2", "status"), values, strict=True):
            object.__setattr__(self, field, value)
        velocity = checked(self.velocity_m_s, self.xyz_m.shape, "motion: velocity_m_s", allow_nan=True)
        object.__setattr__(self, "velocity_m_s", velocity)
        given = self.velocity_cov_m2_s2
        u = np.full((*self.xyz_m.shape, 3), np.nan) if given is None else given
        u = checked(u, (*self.xyz_m.shape, 3), "motion: velocity_cov_m2_s2", allow_nan=True)
        object.__setattr__(self, "velocity_cov_m2_s2", u)

    def index(self, keypoint: str) -> int:
        """Column of a point. Raises BadInput for an unknown name."""
        if keypoint not in self.keypoints:
            raise BadInput(f"motion: no keypoint {keypoint!r}")
        return self.keypoints.index(keypoint)

    def path(self, keypoint: str) -> Array:
        """(T, 3) positions of one point, metres."""
        return np.asarray(self.xyz_m[:, self.index(keypoint)])

    def nearest(self, t_s: float) -> int:
        """Index of the sample nearest to a rig time."""
        return int(np.abs(self.t_s - t_s).argmin())
