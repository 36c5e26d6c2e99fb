"""Who of the people in a picture is the server: the one whose feet are where a server's may be."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.geometry import Camera
from recon.keypoints.pose import Pose
from recon.people.place import AS_LIKELY_M, MAY_BEGIN_M, STRAYED_M, away_m, on_level
from recon.people.sightings import same_person
from recon.records import BODY

_FEET = np.array([BODY.index(f"{side}_{part}") for side in ("left", "right") for part in ("heel", "toe")])
_HIPS = np.array([BODY.index("left_hip"), BODY.index("right_hip")])
LEAP_HEIGHTS = 1.0  # of their own body, in the picture: nobody gets farther while out of sight for a moment


@dataclass(frozen=True, slots=True, eq=False)
class ServerPlace:
    """The court as one camera sees it, and a person's own word where places do not decide.

    camera   calibrated, in the court frame
    at_px    (2,) a pixel on the server in this camera's pictures, or None; then where they are followed to
    reach    how far from there they may be, in heights of their body in the picture
    """

    camera: Camera
    at_px: Array | None = None
    reach: float = LEAP_HEIGHTS

    def feet_m(self, pose: Pose) -> Array:
        """(2,) court x, y of the ground that the lower foot's pixel shows; NaN above the horizon."""
        feet = pose.uv_px[_FEET]
        lowest = feet[np.argmax(feet[:, 1])]
        return on_level(self.camera, lowest)[:2]

    def away_m(self, pose: Pose) -> float:
        """How far the feet are from where a server stands, metres; infinite where they are off the ground."""
        return float(away_m(self.feet_m(pose)))

    def may_be(self, pose: Pose) -> bool:
        """Whether the one that is followed can still be the server."""
        if self.at_px is None:
            return self.away_m(pose) < STRAYED_M
        return self._off_px(pose, self.at_px) < self.reach * float(np.ptp(pose.uv_px[:, 1]))

    def _off_px(self, pose: Pose, at_px: Array) -> float:
        return float(np.linalg.norm(hips_px(pose.uv_px) - at_px))

    def choose(self, people: Sequence[Pose]) -> Pose | None:
        """The server among people found in one picture (one person may have been found more than once).

        Named by a pixel it is the nearest to that, if within reach of it: whoever else stays when the server is
        hidden is not taken for them. Raises NotMeasurable where two people stand where a server may.
        """
        apart = one_each(people)
        at = self.at_px
        if at is not None:
            return min(filter(self.may_be, apart), key=lambda p: self._off_px(p, at), default=None)
        likely = sorted((p for p in apart if self.away_m(p) < MAY_BEGIN_M), key=self.away_m)
        if len(likely) > 1 and self.away_m(likely[1]) < self.away_m(likely[0]) + AS_LIKELY_M:
            places = " and ".join(f"x {x:.1f} m, y {y:.1f} m" for x, y in (self.feet_m(p) for p in likely[:2]))
            u, v = hips_px(likely[0].uv_px)
            raise NotMeasurable(
                f"camera {self.camera.name}: two people stand where the server may ({places}); say which one "
                f"by a pixel on the server's hips when the clip begins, in session.toml: "
                f"[server] {self.camera.name} = [{u:.0f}, {v:.0f}]"
            )
        return likely[0] if likely else None


def hips_px(uv_px: Array) -> Array:
    """(2,) the middle between the hips of a body (27, 2)."""
    return np.asarray(uv_px[_HIPS].mean(axis=0))


def one_each(people: Iterable[Pose]) -> list[Pose]:
    """Without repetitions: of one person's poses the most visible one."""
    kept: list[Pose] = []
    for pose in sorted(people, key=lambda p: -float(p.visibility.mean())):
        if not any(same_person(pose.uv_px, other.uv_px) for other in kept):
            kept.append(pose)
    return kept
