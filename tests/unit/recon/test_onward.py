"""Following with the model's own tracking: its smoothing is evaded or undone, and nothing is carried over."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from recon.keypoints import pose
from recon.keypoints.pose import PoseReader, Window

PICTURE = np.zeros((240, 320, 3), np.uint8)
AROUND = Window(160.0, 120.0, 200.0)
RNG = np.random.default_rng(5)
SEEN = [RNG.uniform(0.2, 0.8, (33, 3)) for _ in range(12)]
LOST = 7  # in this picture nobody is seen


class SmoothingModel:
    """Smooths as the landmark model does over pictures in a row, and begins anew where it has seen nobody.

    Places over a tenth of a second, visibility by a tenth per picture.
    """

    count = 0

    def __init__(self) -> None:
        self.shown, self.at_ms = None, 0
        self.place = np.zeros((33, 2))
        self.visibility = np.zeros(33)

    def detect_for_video(self, _: object, at_ms: int) -> SimpleNamespace:
        assert at_ms > self.at_ms
        marks = SEEN[SmoothingModel.count]
        SmoothingModel.count += 1
        if SmoothingModel.count - 1 == LOST:
            self.shown = None
            return SimpleNamespace(pose_landmarks=[])
        share = 1.0 if self.shown is None else 1 - np.exp(-(at_ms - self.at_ms) / 100)
        self.place = self.place + share * (marks[:, :2] - self.place)
        self.visibility = marks[:, 2] if self.shown is None else 0.9 * self.visibility + 0.1 * marks[:, 2]
        self.shown, self.at_ms = True, at_ms
        both = np.column_stack([self.place, self.visibility])
        return SimpleNamespace(pose_landmarks=[[SimpleNamespace(x=x, y=y, visibility=v) for x, y, v in both]])

    def close(self) -> None:
        pass


@pytest.fixture
def reader(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> PoseReader:
    monkeypatch.setattr(pose, "_landmarker", lambda *_, **__: SmoothingModel())
    monkeypatch.setattr(pose, "_as_input", lambda rgb: rgb)
    SmoothingModel.count = 0
    model = tmp_path / "model"
    model.touch()
    return PoseReader(model)


def test_what_is_read_is_the_picture_s_own(reader: PoseReader) -> None:
    for k, marks in enumerate(SEEN):
        found = reader.read(PICTURE, AROUND, onward=True)
        if k == LOST:
            assert found is None
            continue
        assert found is not None
        np.testing.assert_allclose(found.visibility, marks[pose._ROWS, 2], atol=1e-9)
        np.testing.assert_allclose(found.uv_px, marks[pose._ROWS, :2] * 200 - 0.5 + [60, 20], atol=1e-6)


def test_once_forgotten_another_stretch_begins_anew(reader: PoseReader) -> None:
    before = reader.read(PICTURE, AROUND, onward=True)
    reader.forget()
    after = reader.read(PICTURE, AROUND, onward=True)
    assert before is not None and after is not None
    np.testing.assert_allclose(after.visibility, SEEN[1][pose._ROWS, 2], atol=1e-12)
