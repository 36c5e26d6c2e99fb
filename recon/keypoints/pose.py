"""Body keypoints of one frame: the pose landmark model on a window that follows the player."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from recon.records import BODY

Image = NDArray[np.uint8]

_LANDMARK = {
    "nose": 0, "left_eye": 2, "right_eye": 5, "left_ear": 7, "right_ear": 8,
    "left_shoulder": 11, "right_shoulder": 12, "left_elbow": 13, "right_elbow": 14,
    "left_wrist": 15, "right_wrist": 16, "left_pinky": 17, "right_pinky": 18, "left_index": 19,
    "right_index": 20, "left_thumb": 21, "right_thumb": 22, "left_hip": 23, "right_hip": 24,
    "left_knee": 25, "right_knee": 26, "left_ankle": 27, "right_ankle": 28, "left_heel": 29,
    "right_heel": 30, "left_toe": 31, "right_toe": 32,
}  # fmt: skip
"""Row of each of our names among the model's 33 landmarks (its public documentation lists them)."""

_ROWS = np.array([_LANDMARK[name] for name in BODY])


@dataclass(frozen=True, slots=True)
class Window:
    """A square piece of the picture: centre and side in pixels."""

    u_px: float
    v_px: float
    side_px: float

    def around(self, uv_px: Array, share: float) -> Window:
        """The window around landmarks (N, 2), their larger extent being `share` of its side."""
        low, high = uv_px.min(axis=0), uv_px.max(axis=0)
        side = float((high - low).max()) / share
        return Window(float((low + high)[0] / 2), float((low + high)[1] / 2), max(side, 64.0))


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """uv_px (27, 2) in the order of recon.records.BODY, visibility (27,) 0 … 1 as the model states it."""

    uv_px: Array
    visibility: Array


class PoseReader:
    """Runs the landmark model on windows of pictures. Use as a context manager: the model holds memory.

    model_path is a Tasks bundle (recon.assets.pose_model). Raises BadInput where it cannot be read.
    """

    def __init__(self, model_path: Path) -> None:
        if not model_path.is_file():
            raise BadInput(f"{model_path}: no pose model there; run `courtplumb assets` once")
        self._model_path = model_path
        self._afresh = _Afresh(model_path)
        self._onward: dict[bool, _Onward] = {}

    def __enter__(self) -> PoseReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._afresh.close()
        self.forget()

    def read(
        self, image_bgr: Image, window: Window, *, mirrored: bool = False, onward: bool = False
    ) -> Pose | None:
        """The person in a window of the picture, None where the model sees none.

        mirrored: the model looks at the window's mirror image. Places come back where they are; the names of
        the sides are the mirror image's.
        onward: the window follows a player, and so does the model, from the last such look at the same side;
        the search for a person within the window is left out where he was seen then.
        """
        crop, left, top = cut(image_bgr, window)
        if mirrored:
            crop = np.ascontiguousarray(crop[:, ::-1])
        marks = self._model(mirrored, onward).marks(np.asarray(cv2.cvtColor(crop, cv2.COLOR_BGR2RGB)))
        if marks is None:
            return None
        # normalised x in [0, 1] spans the crop from edge to edge; pixel centres are at integers
        if mirrored:
            marks[:, 0] = 1 - marks[:, 0]
        uv = marks[:, :2] * [crop.shape[1], crop.shape[0]] - 0.5 + [left, top]
        return Pose(uv, marks[:, 2])

    def forget(self) -> None:
        """The next onward look begins anew, as for another person or another clip."""
        for model in self._onward.values():
            model.close()
        self._onward = {}

    def _model(self, mirrored: bool, onward: bool) -> _Afresh | _Onward:
        if not onward:
            return self._afresh
        if mirrored not in self._onward:
            self._onward[mirrored] = _Onward(self._model_path)
        return self._onward[mirrored]


class _Afresh:
    """The model on single pictures: a person is searched in each, then landmarks around that person."""

    def __init__(self, model_path: Path) -> None:
        self._landmarker = _landmarker(model_path, video=False)

    def marks(self, rgb: Image) -> Array | None:
        """(27, 3) normalised u, v and visibility; None where nobody is seen."""
        return _rows(self._landmarker.detect(_as_input(rgb)))

    def close(self) -> None:
        self._landmarker.close()


class _Onward:
    """The model on pictures of one player in a row: where it looks is told by the landmarks before.

    The landmarks tell place, size and turn of the body better than the search for a person does: over six clips
    of three held-out athletes the errors fell by a tenth, for a fifth less time. The model's own smoothing is
    not wanted, since it lags the motion by 4–7 ms. Of places it depends on the time between pictures: told that
    a day has gone by, it smooths nothing. Of visibility it is a fixed share per picture, and is undone.
    """

    _STEP_MS = 100_000_000
    _VISIBILITY_SHARE = 0.1  # of the new picture: undone with it, visibility lies within 0 … 1 to rounding

    def __init__(self, model_path: Path) -> None:
        self._landmarker = _landmarker(model_path, video=True)
        self._count = 0
        self._before: Array | None = None

    def marks(self, rgb: Image) -> Array | None:
        """As _Afresh.marks."""
        self._count += 1
        marks = _rows(self._landmarker.detect_for_video(_as_input(rgb), self._count * self._STEP_MS))
        smoothed = None if marks is None else marks[:, 2].copy()
        if marks is not None and self._before is not None:
            share = self._VISIBILITY_SHARE
            marks[:, 2] = np.clip((marks[:, 2] - (1 - share) * self._before) / share, 0.0, 1.0)
        self._before = smoothed
        return marks

    def close(self) -> None:
        self._landmarker.close()


def _landmarker(model_path: Path, *, video: bool) -> Any:
    # imported here: the module takes seconds to load and is needed only where pixels are read
    from mediapipe.tasks import python as tasks
    from mediapipe.tasks.python import vision

    options = vision.PoseLandmarkerOptions(
        base_options=tasks.BaseOptions(model_asset_path=str(model_path)),
        running_mode=vision.RunningMode.VIDEO if video else vision.RunningMode.IMAGE,
        min_pose_detection_confidence=0.3,
        min_pose_presence_confidence=0.3,
        min_tracking_confidence=0.3,
    )
    return vision.PoseLandmarker.create_from_options(options)


def _as_input(rgb: Image) -> Any:
    import mediapipe as mp

    return mp.Image(image_format=mp.ImageFormat.SRGB, data=rgb)


def _rows(result: Any) -> Array | None:
    found = result.pose_landmarks
    return np.array([(m.x, m.y, m.visibility) for m in found[0]])[_ROWS] if found else None


def cut(image: Image, window: Window) -> tuple[Image, int, int]:
    """The window's pixels, black where it leaves the picture, and its left and top in picture pixels."""
    side = round(window.side_px)
    left, top = round(window.u_px - side / 2), round(window.v_px - side / 2)
    height, width = image.shape[:2]
    x0, x1, y0, y1 = max(left, 0), min(left + side, width), max(top, 0), min(top + side, height)
    out = np.zeros((side, side, 3), dtype=np.uint8)
    if x1 > x0 and y1 > y0:
        out[y0 - top : y1 - top, x0 - left : x1 - left] = image[y0:y1, x0:x1]
    return out, left, top


def search_windows(width_px: int, height_px: int) -> list[Window]:
    """Where to look for a player who is nowhere yet: the whole picture, then squares of falling size."""
    windows = [Window(width_px / 2, height_px / 2, max(width_px, height_px))]
    for side in (height_px, 0.62 * height_px):
        for v in np.arange(height_px - side / 2, side / 2 - 1, -side / 2):
            columns = np.arange(side / 2, width_px - side / 2 + 1, side / 2)
            windows += [Window(float(u), float(v), side) for u in columns]
    return windows
