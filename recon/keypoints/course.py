"""Where a player is in one camera's pictures, as scattered looks or the other cameras told beforehand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.keypoints.pose import Window

_BRIDGED_S = 0.6
PERSON_SHARE = 0.62
"""Share of the window that the player's extent fills: a crop of 1.6 times the person measured best."""


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A player's boxes over time: t_cam_s (K,) increasing, boxes_px (K, 3) middle u, v and larger extent."""

    t_cam_s: Array
    boxes_px: Array

    def __post_init__(self) -> None:
        t = checked(self.t_cam_s, (None,), "course: t_cam_s")
        boxes = checked(self.boxes_px, (len(t), 3), "course: boxes_px")
        if np.any(np.diff(t) <= 0) or np.any(boxes[:, 2] <= 0):
            raise BadInput("course: want increasing times and extents > 0")
        object.__setattr__(self, "t_cam_s", t)
        object.__setattr__(self, "boxes_px", boxes)

    def expected(self, t_s: float) -> Window | None:
        """Where to look at that time; None where it was not told shortly before or after."""
        gone = np.abs(self.t_cam_s - t_s)
        if not len(gone) or gone.min() > _BRIDGED_S / 2:
            return None
        u, v, extent = (float(np.interp(t_s, self.t_cam_s, self.boxes_px[:, k])) for k in range(3))
        return window_of_box(u, v, extent)


def window_of_box(u_px: float, v_px: float, extent_px: float) -> Window:
    """The crop around a person of that middle and extent."""
    return Window(u_px, v_px, max(extent_px / PERSON_SHARE, 64.0))
