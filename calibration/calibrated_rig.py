"""The result of calibration: all cameras in one frame, with what is known of their errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput, FrameMismatch
from calibration.geometry.camera import N_CAMERA, Camera
from calibration.provenance import Provenance

FRAMES = ("rig", "court")


@dataclass(frozen=True, slots=True)
class ClickResidual:
    """How one click fits the court.

    residual_px   length of clicked minus predicted in the final fit
    left_out_px   the same when the click takes no part in the fit
    left_out_z    left_out_px's largest component against its own predicted standard deviation
    used          False for a click that contradicts all others and was left out
    """

    camera: str
    point: str
    residual_px: float
    left_out_px: float
    left_out_z: float
    used: bool


@dataclass(frozen=True, slots=True)
class LineCheck:
    """How one painted line fits the court.

    samples     places along it, over all cameras, where its edges were found and used; rejected: where it ought
                to be visible but was not found, or was contradicted by its neighbours
    rms_px      of the used edges' distances across the line; 0 without samples
    width_m     of the paint, with its standard uncertainty
    offset_m    how far the line lies from where the rules want it, at the middle of the part that was seen,
                along +x or +y, judged by all other lines (its own laying tolerance apart); None if that
                cannot be told
    offset_u_m  standard uncertainty of that
    held        True where the line helps to fix the court frame; False for one not found, or painted so far off
                that it was left out
    """

    line: str
    samples: int
    rejected: int
    rms_px: float
    width_m: float
    width_u_m: float
    offset_m: float | None
    offset_u_m: float | None
    held: bool


@dataclass(frozen=True, slots=True)
class LineDistance:
    """Distance of two parallel lines, between the edges that the rules measure to, against the rules."""

    first: str
    second: str
    measured_m: float
    u_m: float
    rules_m: float


@dataclass(frozen=True, slots=True)
class CourtCheck:
    """How well the rig sits in the court.

    clicks           one row per click; () where the lines alone were used
    rms_px           of the used clicks' residual lengths; with lines, of all line edges used
    free_scale       court size as the rig measures it over the true size, if left free; free_scale_u its
                     standard uncertainty. Only a check, no part of the result; None if it cannot be told
    worst_u_m        largest standard uncertainty (root of summed axis variances) of a point triangulated in the
                     serve volume with exact pixels: what calibration alone adds
    baseline_u_m     standard uncertainty across the baseline of a point on the ground at its rear edge, near
                     the centre mark, triangulated with exact pixels; None where no two cameras see it
    lines            one row per painted line that some camera might see; () where only clicks were used
    distances        of parallel lines that were found
    """

    clicks: tuple[ClickResidual, ...]
    rms_px: float
    worst_u_m: float | None
    free_scale: float | None = None
    free_scale_u: float | None = None
    baseline_u_m: float | None = None
    lines: tuple[LineCheck, ...] = ()
    distances: tuple[LineDistance, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class CalibratedRig:
    """N cameras in one frame.

    frame         "rig" (origin at the first camera, axes as that camera's) or "court"
    covariance    (18 N, 18 N), order calibration.geometry.camera.PARAMETERS per camera. Gauge: in "rig" the
                  first camera's pose is held, so its six rows and columns are zero and all poses are relative
                  to it; in "court" the court's painted points fix the frame and every row is filled. The square
                  size's uncertainty is in it as a common scale
    camera_rms_px per camera, of the board corners' residual length; () where there was no board
    held_out_px   rms length of corners predicted in one camera from the other cameras, for board poses that
                  took no part in the fit; None where there were too few
    board_views   board poses that the rig rests on
    held_out_length_m  rms error of the board's sides and diagonals as triangulated for those same poses
    """

    name: str
    frame: str
    cameras: tuple[Camera, ...]
    covariance: Array
    provenance: Provenance
    camera_rms_px: tuple[float, ...] = ()
    held_out_px: float | None = None
    board_views: int = 0
    flags: tuple[str, ...] = ()
    court: CourtCheck | None = None
    held_out_length_m: float | None = None

    def __post_init__(self) -> None:
        if self.frame not in FRAMES:
            raise BadInput(f"rig {self.name}: frame: want one of {', '.join(FRAMES)}, got {self.frame!r}")
        if not self.cameras:
            raise BadInput(f"rig {self.name}: want at least one camera, got none")
        names = [c.name for c in self.cameras]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise BadInput(f"rig {self.name}: camera {', '.join(twice)} is listed twice")
        for camera in self.cameras:
            if camera.world != self.frame:
                raise FrameMismatch(
                    f"rig {self.name}: want cameras in {self.frame!r}, got {camera.name} in {camera.world!r}"
                )
        size = N_CAMERA * len(self.cameras)
        covariance = checked(self.covariance, (size, size), f"rig {self.name}: covariance")
        scale = np.sqrt(np.maximum(np.outer(np.diag(covariance), np.diag(covariance)), 0.0))
        if np.diag(covariance).min() < 0 or (np.abs(covariance - covariance.T) > 1e-6 * scale + 1e-30).any():
            raise BadInput(f"rig {self.name}: covariance: want it symmetric with no negative variance")
        object.__setattr__(self, "covariance", covariance)

    @property
    def names(self) -> tuple[str, ...]:
        """Camera names in order."""
        return tuple(c.name for c in self.cameras)

    def camera(self, name: str) -> Camera:
        """The named camera. Raises BadInput listing the cameras there are."""
        for camera in self.cameras:
            if camera.name == name:
                return camera
        raise BadInput(f"rig {self.name}: no camera {name!r}; it has {', '.join(self.names)}")

    def subset(self, names: Sequence[str]) -> CalibratedRig:
        """The same rig with only these cameras, in this order; frame and uncertainty are kept as they are."""
        cameras = tuple(self.camera(n) for n in names)
        at = [self.names.index(n) for n in names]
        rows = np.concatenate([np.arange(N_CAMERA * i, N_CAMERA * (i + 1)) for i in at])
        rms = tuple(self.camera_rms_px[i] for i in at) if self.camera_rms_px else ()
        return replace(self, cameras=cameras, covariance=self.covariance[np.ix_(rows, rows)], camera_rms_px=rms)
