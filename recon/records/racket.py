"""Where the racket is and how it is turned, instant by instant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.records.motion import PointStatus


@dataclass(frozen=True, slots=True, eq=False)
class RacketPose:
    """A rigid racket over time, in the frame named; NaN where it is absent.

    t_s         (T,) rig time
    butt_m      (T, 3) middle of the butt's tape, on the long axis
    direction   (T, 3) unit vectors from butt to tip
    covariance  (T, 6, 6) of both: m², m, 1; across the direction only
    normal      (T, 3) unit vectors across the face, out of the side that hits; NaN where no head edge tells
    u_roll_rad  (T,) standard uncertainty of the turn about the long axis that the normal tells
    status      (T,) PointStatus: OK where two cameras saw butt and tip each
    """

    frame: str
    t_s: Array
    butt_m: Array
    direction: Array
    covariance: Array
    normal: Array
    u_roll_rad: Array
    status: NDArray[np.int8]

    def __post_init__(self) -> None:
        t = checked(self.t_s, (None,), "racket: t_s")
        shapes: dict[str, tuple[int, ...]] = {
            "butt_m": (len(t), 3), "direction": (len(t), 3), "covariance": (len(t), 6, 6),
            "normal": (len(t), 3), "u_roll_rad": (len(t),),
        }  # fmt: skip
        object.__setattr__(self, "t_s", t)
        for name, shape in shapes.items():
            value = checked(getattr(self, name), shape, f"racket: {name}", allow_nan=True)
            object.__setattr__(self, name, value)
        codes = np.array(self.status, dtype=np.int8)
        if codes.shape != t.shape:
            raise BadInput(f"racket: status: want shape {t.shape}, got {codes.shape}")
        absent = codes == PointStatus.TOO_FEW_VIEWS
        if np.any(absent != np.isnan(self.butt_m).any(axis=1)):
            raise BadInput("racket: want butt_m absent exactly where the status says so")
        codes.flags.writeable = False
        object.__setattr__(self, "status", codes)
        for name in ("direction", "normal"):
            lengths = np.linalg.norm(getattr(self, name), axis=1)
            if np.any(np.abs(lengths - 1) > 1e-6):
                raise BadInput(f"racket: want {name} of length one, got {lengths[~np.isnan(lengths)].max()}")
