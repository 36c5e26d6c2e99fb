"""A crew that looks at INVENTED people in place of videos, and the clips that it is asked about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from pathlib import Path

import numpy as np

from calibration.footage import Video
from calibration.geometry import Camera
from recon.keypoints import MODES, MarkerOptions, ServerPlace
from recon.keypoints.pose import Pose
from recon.pipeline.crew import Clip
from tests.support.invented_people import Somebody, looks

_SEEN_S = 3.0


class PlayedCrew:
    """Answers find_people with looks at invented people; counts what it was asked for."""

    def __init__(self, people: Sequence[Somebody], ahead_s: Mapping[str, float]) -> None:
        self._people, self._ahead_s, self.asked = people, ahead_s, []

    def submit(self, _do: object, clip: Clip, step_s: float | None) -> Future:
        """The looks of one clip, every step_s, or at its first frame alone."""
        self.asked.append(step_s)
        times = np.array([0.0]) if step_s is None else np.arange(0.0, _SEEN_S, step_s)
        rng = np.random.default_rng(len(self.asked))
        seen = looks([clip.place.camera], self._people, times, rng, ahead_s=self._ahead_s)[clip.camera]
        done: Future = Future()
        done.set_result(
            [(float(t), [Pose(s.uv_px, s.visibility) for s in p]) for t, p in zip(times, seen, strict=True)]
        )
        return done


def clips_of(cameras: Sequence[Camera]) -> dict[str, Clip]:
    """Clips of these cameras as `whom_to_follow` is asked about; nobody opens their videos."""
    marks = MarkerOptions(hues_deg=(300.0, 180.0, 120.0, 60.0), tolerance_deg=15.0)
    return {
        c.name: Clip(Video(Path(c.name)), Path("model"), marks, MODES["quick"], ServerPlace(c)) for c in cameras
    }
