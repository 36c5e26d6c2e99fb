"""Rigid transforms that know which frames they join."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation

from calibration.checks import Array, checked
from calibration.errors import BadInput, FrameMismatch

_UNIT = np.eye(3)
_ORTHONORMAL_TOLERANCE = 1e-6  # a rotation written to text with 7 digits still passes; a scaled one does not


@dataclass(frozen=True, slots=True, eq=False)
class Rigid:
    """x_dst = R x_src + t_m.

    R (3, 3) is a proper rotation, t_m (3,) is in metres; dst and src name the frames.
    Raises BadInput where R is not a rotation: nothing is repaired silently.
    """

    R: Array
    t_m: Array
    dst: str
    src: str

    def __post_init__(self) -> None:
        name = f"{self.dst}_from_{self.src}"
        object.__setattr__(self, "R", checked(self.R, (3, 3), f"{name}.R"))
        object.__setattr__(self, "t_m", checked(self.t_m, (3,), f"{name}.t_m"))
        error = float(np.abs(self.R @ self.R.T - _UNIT).max())
        if error > _ORTHONORMAL_TOLERANCE or _determinant(*self.R.tolist()) < 0:
            raise BadInput(f"{name}.R: want a rotation (R Rᵀ = 1, det +1), got one off by {error:.1e}")

    @classmethod
    def identity(cls, dst: str, src: str) -> Rigid:
        """The transform between two frames that coincide."""
        return cls(np.eye(3), np.zeros(3), dst, src)

    @classmethod
    def many(cls, R: Array, t_m: Array, dst: str, src: str) -> tuple[Rigid, ...]:
        """N transforms between the same frames from R (N, 3, 3) and t_m (N, 3), checked all at once.

        Raises BadInput as for a single one.
        """
        name = f"{dst}_from_{src}"
        turns, shifts = checked(R, (None, 3, 3), f"{name}.R"), checked(t_m, (len(R), 3), f"{name}.t_m")
        error = np.abs(turns @ np.swapaxes(turns, 1, 2) - _UNIT).max(axis=(1, 2), initial=0.0)
        wrong = np.flatnonzero((error > _ORTHONORMAL_TOLERANCE) | (np.linalg.det(turns) < 0))
        if len(wrong):
            raise BadInput(f"{name}.R: want rotations, got one off by {error[wrong[0]]:.1e} at {wrong[0]}")
        out = []
        for turn, shift in zip(turns, shifts, strict=True):
            one = object.__new__(cls)
            for field, value in (("R", turn), ("t_m", shift), ("dst", dst), ("src", src)):
                object.__setattr__(one, field, value)
            out.append(one)
        return tuple(out)

    @classmethod
    def from_rotvec(cls, rotvec_rad: Array, t_m: Array, dst: str, src: str) -> Rigid:
        """From an axis-angle vector (3,) in radians."""
        return cls(Rotation.from_rotvec(np.array(rotvec_rad, dtype=float)).as_matrix(), t_m, dst, src)

    @classmethod
    def aimed(cls, camera: str, place_m: ArrayLike, look_at_m: ArrayLike, world: str = "court") -> Rigid:
        """cam_<camera>_from_<world> of an upright camera at place_m (3,), its axis through look_at_m (3,).

        Raises BadInput where the camera would look straight up or down, or at its own place.
        """
        place = np.asarray(place_m, dtype=float)
        forward = np.asarray(look_at_m, dtype=float) - place
        if np.hypot(forward[0], forward[1]) < 1e-3:
            raise BadInput(
                f"camera {camera}: want it to look at a point beside its own plumb line, got one on it"
            )
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 0.0, 1.0])
        right /= np.linalg.norm(right)
        R = np.stack([right, np.cross(forward, right), forward])
        return cls(R, -R @ place, f"cam_{camera}", world)

    def rotvec_rad(self) -> Array:
        """The rotation as an axis-angle vector (3,), radians."""
        return np.asarray(Rotation.from_matrix(self.R).as_rotvec(), dtype=np.float64)

    def __matmul__(self, other: Rigid) -> Rigid:
        if self.src != other.dst:
            raise FrameMismatch(
                f"{self.dst}_from_{self.src} @ {other.dst}_from_{other.src}: "
                f"{self.src!r} does not meet {other.dst!r}"
            )
        return Rigid(self.R @ other.R, self.R @ other.t_m + self.t_m, self.dst, other.src)

    def inverse(self) -> Rigid:
        """src_from_dst."""
        return Rigid(self.R.T, -self.R.T @ self.t_m, self.src, self.dst)

    def apply(self, x_src_m: Array) -> Array:
        """Points (..., 3) in src to points (..., 3) in dst."""
        return np.asarray(x_src_m @ self.R.T + self.t_m)

    def rotate(self, v_src: Array) -> Array:
        """Directions (..., 3): rotated, not moved."""
        return np.asarray(v_src @ self.R.T)


def _determinant(x: list[float], y: list[float], z: list[float]) -> float:
    """Of three rows; written out, because a general routine takes longer than all other checks together."""
    return (
        x[0] * (y[1] * z[2] - y[2] * z[1])
        - x[1] * (y[0] * z[2] - y[2] * z[0])
        + x[2] * (y[0] * z[1] - y[1] * z[0])
    )
