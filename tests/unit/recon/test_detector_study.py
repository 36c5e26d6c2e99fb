"""The study's data as they come with the program, its reader, and how sigma follows the detector's signals."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest

from calibration.errors import BadInput
from recon.detector_study import PARTS, USUAL_MODE, PixelError, load_study, read_study, study_of
from recon.detector_study.study import ARRAYS, FORMAT, MEASURED
from recon.keypoints import ClipTracks, tracks_from_clips
from recon.records import BODY, KEYPOINTS, SOUGHT, WHITE, NoiseShape


def test_the_data_say_what_made_them_and_hold_every_part_in_every_mode():
    made = json.loads(MEASURED.read_text(encoding="utf-8"))["provenance"]
    assert made["script"].startswith("python -m benchmarks.keypoint_study")
    assert len(made["bodies"]) >= 8
    assert USUAL_MODE in load_study()
    for found in load_study().values():
        assert set(found.pixels) == set(found.joints) == set(PARTS)


def test_the_data_are_of_the_size_that_detectors_are_known_to_have():
    """Needham L et al. (2021), Sci Rep 11:20673: hip and knee 30–50 mm off, in three other 2D detectors."""
    for found in load_study().values():
        for part, offset in found.joints.items():
            mean = 1300 * np.linalg.norm(offset.first + offset.second)
            assert mean < 80, part
            assert 2 < 1300 * offset.left_over() < 60, part
        assert all(0.003 < e.base < 0.05 for e in found.pixels.values())


def test_sigma_grows_with_spread_and_where_a_point_is_hidden():
    error = PixelError(base=0.01, hidden=8.0, spread=2.0, shape=NoiseShape())
    seen, spread = np.array([1.0, 1.0, 0.0, 0.5]), np.array([np.nan, 0.01, 0.0, 0.0])
    expected = [0.01, 0.01 * np.sqrt(5), 0.03, 0.01 * np.sqrt(3)]
    np.testing.assert_allclose(error.sigma(seen, spread), expected)


def test_tracks_carry_the_studys_sigma_and_shape():
    rng = np.random.default_rng(3)
    body = rng.uniform(0, 1, (20, len(BODY), 2)) * 1e-9 + [600.0, 300.0]
    body[:, BODY.index("left_heel"), 1] += 200.0  # the player is 200 px tall
    markers = len(SOUGHT) - len(BODY)
    uv = np.concatenate([body, np.full((20, markers, 2), np.nan)], axis=1)
    nothing = np.full((20, markers), np.nan)
    clip = ClipTracks(np.arange(20) / 60, uv, np.ones((20, len(BODY))), nothing, np.full((20, 27), np.nan))
    tracks = tracks_from_clips({"side": ((1280, 720), clip)}, "invented")
    knee = KEYPOINTS.index("left_knee")
    error = study_of(USUAL_MODE).pixels["knee"]
    np.testing.assert_allclose(tracks.cameras[0].sigma_px[:, knee], 200 * error.base, rtol=1e-6)
    assert tracks.noise[knee] == error.shape
    assert tracks.noise[KEYPOINTS.index("racket_tip")] == WHITE


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.update(format=1), f"format {FORMAT}"),
        (lambda d: d["modes"][USUAL_MODE]["joints"].pop("hip"), "want the parts"),
        (lambda d: d["modes"][USUAL_MODE]["pixels"]["hip"].update(base=-1.0), "base > 0"),
        (lambda d: d["modes"][USUAL_MODE]["joints"]["hip"].update(covariance=[[-1, 0, 0]] * 3), "covariance"),
        (lambda d: d.pop("provenance"), "provenance"),
    ],
)
def test_a_damaged_file_is_refused(tmp_path, change, message):
    data = json.loads(MEASURED.read_text(encoding="utf-8"))
    change(data)
    path = tmp_path / "study.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    shutil.copy(MEASURED.with_name(ARRAYS), tmp_path)
    with pytest.raises(BadInput, match=message):
        read_study(path)


def test_a_study_without_its_arrays_is_refused(tmp_path):
    path = shutil.copy(MEASURED, tmp_path / "study.json")
    with pytest.raises(BadInput, match=ARRAYS):
        read_study(path)


def test_an_unknown_mode_is_refused():
    with pytest.raises(BadInput, match="want a mode"):
        study_of("guess")
