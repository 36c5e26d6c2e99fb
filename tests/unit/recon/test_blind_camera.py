"""A camera that shows nobody is left out where two others saw the player, and said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recon.keypoints import NobodySeen
from recon.pipeline import run
from recon.pipeline.options import PipelineOptions, silent
from recon.pipeline.second_look import Checked
from recon.session import Session, SessionFile
from tests.support.example_rig import example_rig
from tests.support.world import InventedMotion, seen_by, three_cameras

CAMERAS = three_cameras()
RIG = example_rig(CAMERAS)


class NoQuestions:
    """Footage that nobody asks about."""

    def moved(self) -> None:
        """Nothing is asked."""


def looking(blind: set[str], asked: list[tuple[str, ...]]):
    """Reading in which some cameras show nobody."""

    def found(session, rig, *_: object) -> Checked:
        asked.append(rig.names)
        for name in rig.names:
            if name in blind:
                raise NobodySeen(name, f"camera {name}: no person found in 100% of 300 frames")
        rng = np.random.default_rng(1)
        return Checked(seen_by(rig.cameras, InventedMotion(), offsets_s=dict.fromkeys(rig.names, 0.0), rng=rng))

    return found


def tracks_of(monkeypatch, tmp_path: Path, *blind: str):
    asked: list[tuple[str, ...]] = []
    monkeypatch.setattr(run, "_found_tracks", looking(set(blind), asked))
    videos = {name: f"{name}.mp4" for name in RIG.names}
    session = Session(tmp_path, SessionFile(rig="rig.json", handedness="right", video=videos))
    return run._tracks(session, RIG, PipelineOptions(), silent, NoQuestions()), asked


def test_two_that_see_measure_without_the_third(monkeypatch, tmp_path):
    (session, rig, checked), asked = tracks_of(monkeypatch, tmp_path, "side")
    assert rig.names == ("rear_left", "rear_right") == session.camera_names
    assert len(rig.covariance) == 36
    assert checked.trouble == (
        "camera side: no person found in 100% of 300 frames; measured without this camera",
    )
    assert asked == [RIG.names, rig.names]


def test_one_that_sees_is_not_enough(monkeypatch, tmp_path):
    with pytest.raises(NobodySeen, match="camera"):
        tracks_of(monkeypatch, tmp_path, "side", "rear_left")


def test_where_all_see_nothing_is_said(monkeypatch, tmp_path):
    (_, rig, checked), asked = tracks_of(monkeypatch, tmp_path)
    assert rig.names == RIG.names and asked == [RIG.names]
    assert checked.trouble == ()
