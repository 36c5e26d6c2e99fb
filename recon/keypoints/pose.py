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
        # imported here: the module takes seconds to load and is needed only where pixels are read
        from mediapipe.tasks import python as tasks
        from mediapipe.tasks.python import vision

        if not model_path.is_file():
            raise BadInput(f"{model_path}: no pose model there; run `courtplumb assets` once")
        options = vision.PoseLandmarkerOptions(
            base_options=tasks.BaseOptions(model_asset_path=str(model_path)),
            running_mode=vision.RunningMode.IMAGE,  # the video mode lags the motion by 4–7 ms
            min_pose_detection_confidence=0.3,
            min_pose_presence_confidence=0.3,
        )
        self._landmarker: Any = vision.PoseLandmarker.create_from_options(options)

    def __enter__(self) -> PoseReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._landmarker.close()

    def read(self, image_bgr: Image, window: Window, *, mirrored: bool = False) -> Pose | None:
        """The person in a window of the picture, None where the model sees none.

        mirrored: the model looks at the window's mirror image. Places come back where they are; the names of
        the sides are the mirror image's.
        """
        import mediapipe as mp

        crop, left, top = cut(image_bgr, window)
        if mirrored:
            crop = np.ascontiguousarray(crop[:, ::-1])
        rgb = cv2.cvtColor(crop, cv2.COLOR_BGR2RGB)
        found = self._landmarker.detect(mp.Image(image_format=mp.ImageFormat.SRGB, data=rgb)).pose_landmarks
        if not found:
            return None
        marks = np.array([(m.x, m.y, m.visibility) for m in found[0]])[_ROWS]
        # normalised x in [0, 1] spans the crop from edge to edge; pixel centres are at integers
        if mirrored:
            marks[:, 0] = 1 - marks[:, 0]
        uv = marks[:, :2] * [crop.shape[1], crop.shape[0]] - 0.5 + [left, top]
        return Pose(uv, marks[:, 2])


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
