"""One person in one picture, and the points of a body that an exchange of left and right leaves alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.records import BODY

_SAME_SHARE = 0.25  # hips closer than this share of the body's height belong to one person found twice
_RAISED = 0.10  # of the body's height above the nose: a toss or a trophy position, not a hand to the cap


def _pairs() -> Array:
    """(14, 2) rows of BODY: the nose twice, then left and right of each part."""
    parts = [name.removeprefix("left_") for name in BODY if name.startswith("left_")]
    return np.array([(0, 0), *((BODY.index(f"left_{part}"), BODY.index(f"right_{part}")) for part in parts)])


_PAIRS = _pairs()
_PARTS = ("nose", *(name.removeprefix("left_") for name in BODY if name.startswith("left_")))
HIPS, NOSE = _PARTS.index("hip"), _PARTS.index("nose")
FEET = np.array([_PARTS.index(part) for part in ("ankle", "heel", "toe")])
_WRISTS = np.array([BODY.index("left_wrist"), BODY.index("right_wrist")])


@dataclass(frozen=True, slots=True, eq=False)
class Sighting:
    """One person in one camera's picture.

    t_s         the camera's own time
    uv_px       (27, 2) in the order of BODY; all of them, guesses where a part is hidden
    visibility  (27,) 0 … 1, as the detector states it
    """

    t_s: float
    uv_px: Array
    visibility: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "uv_px", checked(self.uv_px, (len(BODY), 2), "sighting: uv_px"))
        object.__setattr__(self, "visibility", checked(self.visibility, (len(BODY),), "sighting: visibility"))
        if not np.isfinite(self.t_s):
            raise BadInput(f"sighting: want a time, got {self.t_s}")

    @property
    def hips_px(self) -> Array:
        """(2,) the middle between the hips."""
        return np.asarray(middles(self.uv_px)[HIPS])

    @property
    def height_px(self) -> float:
        """Extent of the points from top to bottom."""
        return float(np.ptp(self.uv_px[:, 1]))

    @property
    def hand_is_up(self) -> bool:
        """Whether a hand is clearly above the head."""
        highest = float(self.uv_px[_WRISTS, 1].min())
        return bool(highest < self.uv_px[0, 1] - _RAISED * self.height_px)


def middles(uv_px: Array) -> Array:
    """(..., 14, 2) nose and middles between left and right of a body (..., 27, 2).

    Exchanging left and right, as detectors do with a back, leaves them where they are.
    """
    return np.asarray((uv_px[..., _PAIRS[:, 0], :] + uv_px[..., _PAIRS[:, 1], :]) / 2)


def same_person(one_px: Array, other_px: Array) -> bool:
    """Whether two bodies (27, 2) in one place of the picture are one person's: hips nearly coincide."""
    taller = float(max(np.ptp(one_px[:, 1]), np.ptp(other_px[:, 1])))
    apart = np.linalg.norm(middles(one_px)[HIPS] - middles(other_px)[HIPS])
    return bool(apart <= _SAME_SHARE * taller)
