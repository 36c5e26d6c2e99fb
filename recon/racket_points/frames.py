"""Which frame of which camera each row of racket_points.csv means."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput
from calibration.footage import Video
from recon.racket_points.file import Row

_BESIDE_FRAMES = 0.5  # a time farther than that from every frame is of none


@dataclass(frozen=True, slots=True, eq=False)
class CameraFrames:
    """The frames of one camera.

    t_s       (N,) when they were taken, on the camera's own clock, by their numbers; of own keypoints without a
              video the times at which there are some
    within_s  the stretch that is meant, where it is not all of them
    numbered  whether frame numbers can be told
    """

    camera: str
    size_px: tuple[int, int]
    t_s: Array
    within_s: tuple[float, float] | None = None
    numbered: bool = True

    @property
    def step_s(self) -> float:
        """Usual time from frame to frame."""
        return float(np.median(np.diff(self.t_s))) if len(self.t_s) > 1 else 1.0

    def meant(self, t_s: float) -> bool:
        """Whether a time lies in the stretch that is meant."""
        return self.within_s is None or self.within_s[0] <= t_s < self.within_s[1]


@dataclass(frozen=True, slots=True)
class Filmed:
    """A camera's video and its frames."""

    video: Video
    frames: CameraFrames


@dataclass(frozen=True, slots=True)
class Placed:
    """A point of the racket at a frame's time t_s; line: of the file, for messages."""

    camera: str
    point: str
    t_s: float
    uv_px: tuple[float, float]
    sigma_px: float
    line: int = 0


def placed(
    path: Path, rows: Sequence[Row], frames: Mapping[str, CameraFrames], unused: Sequence[str] = ()
) -> tuple[Placed, ...]:
    """The rows at their frames, in order of time. unused: cameras of the rig whose rows are passed over.

    Raises BadInput naming the line: an unknown camera, a frame beyond the clip, a time at which there is none,
    a place outside the picture, two rows for one point of one frame.
    """
    found: dict[tuple[str, str, float], Placed] = {}
    for row in rows:
        where = f"{path}: row {row.line}"
        if row.camera in unused:
            continue
        if row.camera not in frames:
            known = ", ".join([*frames, *unused])
            raise BadInput(f"{where}: unknown camera {row.camera!r}; want one of {known}")
        own = frames[row.camera]
        t = _time(where, row, own)
        _want_inside(where, row, own.size_px)
        key = (row.camera, row.point, t)
        if key in found:
            raise BadInput(f"{where}: {row.point} of this frame stands in row {found[key].line} too")
        found[key] = Placed(row.camera, row.point, t, (row.u_px, row.v_px), row.sigma_px, row.line)
    return tuple(sorted(found.values(), key=lambda p: (p.camera, p.point, p.t_s)))


def _time(where: str, row: Row, own: CameraFrames) -> float:
    if row.frame is not None:
        if not own.numbered:
            raise BadInput(f"{where}: camera {row.camera} has no video to count frames in; give time_s instead")
        if row.frame >= len(own.t_s):
            last = len(own.t_s) - 1
            raise BadInput(f"{where}: frame {row.frame} is beyond the clip, whose last frame is {last}")
        t = float(own.t_s[row.frame])
    else:
        assert row.time_s is not None  # the file's reader sees to it that one of the two is given
        t = float(own.t_s[np.abs(own.t_s - row.time_s).argmin()])
        if abs(t - row.time_s) > _BESIDE_FRAMES * own.step_s:
            span = f"{own.t_s[0]:.4f} s to {own.t_s[-1]:.4f} s"
            raise BadInput(
                f"{where}: camera {row.camera} has no frame at {row.time_s:g} s; its frames run from {span}"
            )
    if not own.meant(t):
        assert own.within_s is not None
        stretch = f"{own.within_s[0]:g} s to {own.within_s[1]:g} s"
        raise BadInput(f"{where}: {t:.3f} s is beyond the clip, which is {stretch} of the video ([window])")
    return t


def _want_inside(where: str, row: Row, size_px: tuple[int, int]) -> None:
    w, h = size_px
    if not (-0.5 <= row.u_px <= w - 0.5 and -0.5 <= row.v_px <= h - 0.5):
        raise BadInput(f"{where}: want a place inside the picture of {w}x{h}, got {row.u_px:g}, {row.v_px:g}")
