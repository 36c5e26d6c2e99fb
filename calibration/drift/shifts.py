"""What was measured in a new picture: positions along given directions, of things whose place is known or half
known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid

STILL = "still"
"""Frame of the camera as it was registered; a motion is the new camera's pose in it."""


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """K measured positions of one kind in the new picture.

    kind        what was looked at: "background", "court surface", "court lines", "clicks"
    uv_px       (K, 2) where the same thing stands in the reference picture; for a thing known from the court's
                own measures, where the registered camera would see it
    normal      (K, 2) unit direction along which the position was measured
    at_px       (K,) measured position in the new picture: normal · uv
    u_px        (K,) its standard uncertainty as the measurement itself states it
    nearness    (K,) 1 / depth, 1/m; NaN on the court's surface, whose depth follows from the camera
    nearness_u  (K,)
    x_court_m   (K, 3) where the court's own measures give the place (no reference picture), else None
    paint       (K,) number of the painted line or point whose laying error the position shares; -1 for none
    """

    kind: str
    uv_px: Array
    normal: Array
    at_px: Array
    u_px: Array
    nearness: Array
    nearness_u: Array
    x_court_m: Array | None
    paint: Array

    def __len__(self) -> int:
        return len(self.at_px)

    def x_still_m(self, camera: Camera) -> Array:
        """(K, 3) the things in the frame of the registered camera, as `camera` places them."""
        if self.x_court_m is not None:
            return np.asarray(camera.cam_from_world.apply(self.x_court_m))
        n = camera.normalised(self.uv_px)
        d = np.concatenate([n, np.ones((len(n), 1))], axis=1)
        down = camera.cam_from_world.R[:, 2]  # the court's up, seen from the camera
        with np.errstate(divide="ignore", invalid="ignore"):
            # the ground z = 0: down · (x − t) = 0, where t is the court's origin seen from the camera
            to_ground = (down @ camera.cam_from_world.t_m) / (d @ down)
            depth = np.where(np.isnan(self.nearness), to_ground, 1 / np.maximum(self.nearness, 1e-6))
        return np.asarray(d * depth[:, None])


def new_camera(camera: Camera, motion: Rigid) -> Camera:
    """The lens of `camera`, standing where the motion (camera from STILL) has put it; its world is STILL."""
    return camera.placed(motion)


def no_motion(camera: Camera) -> Rigid:
    """A camera that has not moved."""
    return Rigid.identity(f"cam_{camera.name}", STILL)


def predicted_uv(camera: Camera, motion: Rigid, shifts: Shifts) -> Array:
    """(K, 2) where the things stand in the new picture after the motion."""
    return new_camera(camera, motion).project(shifts.x_still_m(camera))
