"""What a person may choose when measuring a session, and how progress is told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from calibration.errors import BadInput
from recon.keypoints import mode_of

Progress = Callable[[str, int, int], None]
"""progress(label, done, total)"""

METHOD = 7
"""Raised whenever measured numbers may change; older derived files then count as out of date."""


def silent(_label: str, _done: int, _total: int) -> None:
    """A progress that tells nobody."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PipelineOptions:
    """What to measure with.

    mode         how often the model looks at a frame: "quick" or "full" (recon.keypoints.passes)
    variant      the pose model's size, "heavy" or "full"
    workers      processes
    pictures     keep frames for the viewer
    rig_version  beginning of the hash of a calibration in the rig's history; the current one where None
    joint_centres  move detected body points onto the joint centres they stand for
    """

    mode: str = "quick"
    variant: str = "heavy"
    workers: int = 2
    pictures: bool = True
    rig_version: str | None = None
    joint_centres: bool = True

    def __post_init__(self) -> None:
        if self.variant not in ("heavy", "full"):
            raise BadInput(f"pose model: want 'heavy' or 'full', got {self.variant!r}")
        mode_of(self.mode)  # raises BadInput for an unknown one
        if self.workers < 1:
            raise BadInput(f"workers: want >= 1, got {self.workers}")
